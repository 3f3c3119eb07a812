"""What a handful of bad cans suggests, in words."""

from tracelog.cases.domes.checking import DomesAnswer
from tracelog.language import _, figure
from tracelog.stats.dome_numbers import Suggests


def chance_words(chance: float) -> str:
    """A chance as percent to two significant digits: 1.6 %, 0.2 %, 62 %."""
    if 0 < chance < 0.00001:
        return _("under 0.001 %")
    percent = 100 * chance
    shown = figure(percent, ".0f") if percent >= 10 else figure(percent, ".2g")
    return f"{shown}\N{NO-BREAK SPACE}%"


def headline(answer: DomesAnswer) -> str:
    """In one sentence what the cans suggest."""
    one = answer.striking
    said = {
        "most": one.cans,
        "cans": answer.spread.cans,
        "machine": one.machine,
        "chance": chance_words(answer.spread.by_chance),
    }
    if answer.spread.suggests is Suggests.ONE_MACHINE:
        return _(
            "Suggests one machine: %(most)d of %(cans)d from %(machine)s. So uneven a spread has a"
            " chance of %(chance)s if each can came from any machine by its strokes.",
            **said,
        )
    if answer.spread.suggests is Suggests.COMMON:
        return _(
            "Suggests coil, cupper or a later station: %(cans)d cans spread over the machines as"
            " by their strokes. So uneven a spread has a chance of %(chance)s.",
            **said,
        )
    return _(
        "Suggests nothing yet: %(most)d of %(cans)d from %(machine)s. So uneven a spread has a"
        " chance of %(chance)s, which proves little.",
        **said,
    )


def next_words(answer: DomesAnswer) -> str:
    """What to do next, in plain words."""
    if answer.spread.suggests is Suggests.ONE_MACHINE:
        return _(
            "Look at %(machine)s and its trimmer, which bear the same number: sample its discharge,"
            " and ask what was changed on it.",
            machine=answer.striking.machine,
        )
    if answer.spread.suggests is Suggests.COMMON:
        return _(
            "Ask which coil ran, look at the cups by their place in the die, and take a row of"
            " cans in order behind the later stations."
        )
    if answer.further is not None:
        return _(
            "Read more bad cans. If the next %(more)d all come from %(machine)s, that suggests it.",
            more=answer.further,
            machine=answer.striking.machine,
        )
    return _("Read more bad cans before looking for a machine.")


def notes(answer: DomesAnswer) -> list[str]:
    """What else must be known to judge the answer."""
    found = []
    if answer.unread:
        found.append(
            _(
                "%(cans)d cans with a digit that nobody could read are left out: %(codes)s."
                " Guessing them would lean the answer; settle them first.",
                cans=len(answer.unread),
                codes=", ".join(str(one) for one in answer.unread),
            )
        )
    if not answer.is_weighed:
        found.append(
            _("No strokes are known in that time, so that all machines are taken to run alike.")
        )
    found += [
        _(
            "The number %(code)s went to another machine in that time; its cans are counted where"
            " it stood in the middle of it.",
            code=code,
        )
        for code in answer.moved
    ]
    return found
