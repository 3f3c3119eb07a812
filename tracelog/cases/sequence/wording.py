"""What a row of cans says, in words."""

from collections.abc import Sequence

from tracelog.cases.sequence.answering import Answer
from tracelog.cases.sequence.rules import SETTLED, Number, StepKind, multiples
from tracelog.language import _, in_words
from tracelog.plant.part_rules import StationPartView

# A repeat likelier than this, but not settled, is named as possible.
_POSSIBLE = 0.4


def headline(answer: Answer) -> str:
    """In one sentence what the row suggests."""
    weighed = answer.weighed
    best = answer.numbers[0] if answer.numbers else None
    if not weighed.bad:
        return _("No can is bad yet: the row says nothing about a repeat.")
    if weighed.alike >= SETTLED:
        return _("Suggests no repeat: nearly every can has it.")
    if best is not None and best.probability >= SETTLED:
        return _("Suggests a repeat every %(every)d cans: %(where)s.", **_told(answer, best))
    if weighed.chance >= SETTLED:
        return _("Suggests no repeat: the bad cans lie as by chance.")
    if best is not None and best.probability >= _POSSIBLE and best.best.bad > 1:
        return _(
            "May repeat every %(every)d cans: %(where)s. Not settled yet.", **_told(answer, best)
        )
    return _("Nothing is settled yet: chance and several repeats are still possible.")


def _told(answer: Answer, number: Number) -> dict[str, object]:
    best, weighed = number.best, answer.weighed
    cans = ", ".join(str(place + 1) for place in best.places)
    return {
        "every": number.every,
        "where": _(
            "can %(cans)s and so on, %(bad)d of %(seen)d bad there, %(other)d of %(rest)d"
            " elsewhere",
            cans=cans,
            bad=best.bad,
            seen=best.seen,
            other=weighed.bad - best.bad,
            rest=weighed.seen - best.seen,
        ),
    }


def parts_words(parts: Sequence[StationPartView]) -> str:
    """Parts of stations in a few words: `12 necker pockets`."""
    return ", ".join(
        _(
            "%(count)d %(part)ss of the %(station)s",
            count=one.count,
            part=in_words(one.part),
            station=in_words(one.station),
        )
        for one in parts
    )


def points_to(answer: Answer, number: Number) -> str:
    """Which stations of the line have so many parts, in words."""
    if number.showing:
        return parts_words(number.showing)
    hidden = [one.part for one in number.candidates]
    if hidden:
        return _(
            "%(parts)s, but the order of cans is lost between there and here",
            parts=parts_words(hidden),
        )
    several = multiples(number.every, answer.candidates)
    if several:
        return _(
            "no station; it is a multiple of the %(parts)s, as when machines side by side feed"
            " one lane in turn",
            parts=parts_words(several),
        )
    return _("no station of line %(line)d that is entered", line=answer.line)


def slip_words(answer: Answer) -> str | None:
    """That a can seems lost from the order or doubled; None: no sign of it."""
    slip = answer.weighed.slip
    if slip is None:
        return None
    if slip.is_lost:
        return _(
            "A can seems to be missing from the order, about behind can %(can)d.", can=slip.after
        )
    return _("A can seems to stand in the order twice, about behind can %(can)d.", can=slip.after)


def _stations(names: Sequence[str]) -> str:
    if len(names) == 1:
        return _("the %(station)s", station=in_words(names[0]))
    named = [_("the %(station)s", station=in_words(one)) for one in names]
    return _("%(some)s and %(last)s", some=", ".join(named[:-1]), last=named[-1])


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def next_words(answer: Answer) -> str:
    """What to do next, in plain words."""
    step, number = answer.step, answer.numbers[0] if answer.numbers else None
    if step.kind is StepKind.BETWEEN:
        return _(
            "%(all)s share the count %(every)d. Stop, and take %(cans)d cans in order, two full"
            " turns, between %(last)s and %(first)s: if the repeat shows there, it comes from"
            " %(before)s; if not, from %(behind)s.",
            all=_capital(_stations([*step.before, *step.behind])),
            every=step.turns_of,
            cans=step.cans,
            last=in_words(step.before[-1]),
            first=in_words(step.behind[0]),
            before=_stations(step.before),
            behind=_stations(step.behind),
        )
    if step.kind is StepKind.LOOK and number is not None:
        return _(
            "Look at the %(parts)s: mark a can, find the part that it comes from, and count from"
            " there to the bad place. To confirm, take %(cans)d cans in order right behind it, two"
            " full turns.",
            parts=parts_words(number.showing),
            cans=2 * step.turns_of,
        )
    if step.kind is StepKind.COUNTS and number is not None:
        return _(
            "Check the counts of line %(line)d: %(points)s. Then take %(cans)d cans in order right"
            " behind each station in question.",
            line=answer.line,
            points=points_to(answer, number),
            cans=2 * step.turns_of,
        )
    if step.kind is StepKind.UNSEEN:
        return _(
            "Look at can %(can)d, which nobody looked at: it tells most of all cans at hand.",
            can=step.first,
        )
    if step.kind is StepKind.CANS:
        return _more_words(answer)
    if step.kind is StepKind.ALIKE:
        return _(
            "Find where every can gets it: sample behind each station back to the first one where"
            " cans are good. At the discharge of one bodymaker it suggests a tool of that machine."
        )
    return _(
        "Nothing repeats here. See whether the dome numbers of the bad cans suggest one machine; a"
        " longer row, or one taken right behind another station, may still show a repeat."
    )


def _more_words(answer: Answer) -> str:
    step = answer.step
    turns = ""
    if step.turns_of:
        full = step.cans // step.turns_of
        turns = (
            _(", a full turn of %(every)d", every=step.turns_of)
            if full == 1
            else _(", %(full)d full turns of %(every)d", full=full, every=step.turns_of)
        )
    return _(
        "Take cans %(first)d to %(last)d in the same order behind the %(station)s%(turns)s. If the"
        " row stands no longer, take a new one of %(all)d cans.",
        first=step.first,
        last=step.first + step.cans - 1,
        station=in_words(answer.taken_after),
        turns=turns,
        all=step.first + step.cans - 1,
    )
