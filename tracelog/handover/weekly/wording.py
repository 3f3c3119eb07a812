"""What changed in a week, in plain words with figures and where to look."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from tracelog.handover.weekly.gathering import Week
from tracelog.handover.weekly.rules import WEEKS_BEFORE, Changed, Of, Series
from tracelog.instants import show_instant
from tracelog.language import _, figure, in_words
from tracelog.service.queries import ServiceStanding
from tracelog.web.numbers import p_value, rate, short_count

# So many names of machines stand in one sentence.
MOST_NAMES = 6


@dataclass(frozen=True)
class Item:
    """One thing that changed: what it is, a sentence, where to look, and how sure it is.

    `adjusted_p` and `evidence` (the natural logarithm of 1 / p) are None for what is on record and
    needs no test. `count` and `usual` are those of the sentence; None where it has none.
    """

    kind: str
    place: str
    defect: str | None
    sentence: str
    link: str
    count: int | None
    usual: float | None
    adjusted_p: float | None
    evidence: float | None

    @property
    def sure(self) -> str:
        """How sure it is, in words."""
        if self.adjusted_p is None:
            return _("on record")
        return _("p %(p)s over everything compared", p=p_value(self.adjusted_p))


def said(
    one: Changed, titles: Mapping[str, str], week: Week, line_names: Mapping[int, str]
) -> Item:
    """A series that changed beyond chance, in words.

    Args:
        one: the series and its evidence.
        titles: what people call each kind of defect.
        week: the week reviewed.
        line_names: names of the lines by number.
    """
    about = one.series
    where = (
        line_names[int(about.place)] if about.is_line else _("Machine %(place)s", place=about.place)
    )
    values = {"where": where, "weeks": WEEKS_BEFORE, "change": _change(about.ratio)}
    if about.usual == 0:
        sentence = _first_time(about, titles, where)
    elif about.of is Of.STROKES:
        sentence = _(
            "%(where)s made %(change)s strokes an hour: %(count)s in the week, where %(usual)s"
            " would be usual after the %(weeks)d weeks before.",
            count=short_count(about.count),
            usual=short_count(about.usual),
            **values,
        )
    elif about.of is Of.SPOILAGE:
        sentence = _(
            "%(where)s lost %(change)s cans per stroke: %(count)s, where %(usual)s would be usual"
            " after the %(weeks)d weeks before.",
            count=figure(about.count, ","),
            usual=figure(about.usual, ",.0f"),
            **values,
        )
    else:
        sentence = _(
            "%(where)s: %(change)s entries of %(defect)s per stroke: %(count)s in the week, where"
            " %(usual)s would be usual after the %(weeks)d weeks before.",
            defect=in_words(titles.get(about.defect or "", about.defect or "")),
            count=figure(about.count, ","),
            usual=rate(about.usual),
            **values,
        )
    return Item(
        *(about.of.value, about.place, about.defect, sentence, _link(one, week)),
        *(about.count, about.usual, one.adjusted_p, one.evidence),
    )


def _first_time(about: Series, titles: Mapping[str, str], where: str) -> str:
    values = {"where": where, "count": figure(about.count, ","), "weeks": WEEKS_BEFORE}
    if about.of is Of.STROKES:
        return _(
            "%(where)s made %(count)s strokes, and none in the %(weeks)d weeks before.", **values
        )
    if about.of is Of.SPOILAGE:
        return _("%(where)s lost %(count)s cans, and none in the %(weeks)d weeks before.", **values)
    return _(
        "%(where)s: %(count)s entries of %(defect)s, and none in the %(weeks)d weeks before.",
        defect=in_words(titles.get(about.defect or "", about.defect or "")),
        **values,
    )


def _change(ratio: float) -> str:
    if ratio >= 2:
        return _("%(ratio)s times as many", ratio=rate(ratio))
    if ratio >= 1:
        return _("%(percent).0f %% more", percent=100 * (ratio - 1))
    return _("%(percent).0f %% fewer", percent=100 * (1 - ratio))


def _link(one: Changed, week: Week) -> str:
    about = one.series
    place = {"line" if about.is_line else "machine": about.place}
    asked = {
        **place,
        **({"defect": about.defect} if about.defect else {}),
        "from": (week.monday - timedelta(days=7 * WEEKS_BEFORE)).isoformat(),
        "to": (week.monday + timedelta(days=6)).isoformat(),
        "bucket": "week",
    }
    return f"/trends?{urlencode(asked)}"


def overdue_item(fell_due: Sequence[ServiceStanding], overdue: int) -> Item:
    """Services that fell overdue in the week, in one sentence.

    Args:
        fell_due: those that were not overdue when the week began.
        overdue: how many are overdue at its end.
    """
    names = _names([f"{one.level.service} {_('on')} {one.machine.text}" for one in fell_due])
    sentence = (
        _("1 service fell overdue: %(names)s; %(all)d overdue in all.", names=names, all=overdue)
        if len(fell_due) == 1
        else _(
            "%(count)d services fell overdue: %(names)s; %(all)d overdue in all.",
            count=len(fell_due),
            names=names,
            all=overdue,
        )
    )
    return Item("overdue", "", None, sentence, "/service", len(fell_due), None, None, None)


def silent_item(silent: Sequence[tuple[str, datetime]], zone: ZoneInfo) -> Item:
    """Counters that fell silent in the week, in one sentence.

    Args:
        silent: machines, each with its last reading, UTC.
        zone: the plant's zone.
    """
    names = _names(
        [
            _("%(machine)s since %(at)s", machine=name, at=show_instant(at, zone))
            for name, at in silent
        ]
    )
    sentence = (
        _("The counter of %(names)s says nothing.", names=names)
        if len(silent) == 1
        else _("%(count)d counters say nothing: %(names)s.", count=len(silent), names=names)
    )
    return Item("silent", "", None, sentence, "/counters", len(silent), None, None, None)


def _names(every: Sequence[str]) -> str:
    named = ", ".join(every[:MOST_NAMES])
    if len(every) > MOST_NAMES:
        return _("%(named)s and %(more)d more", named=named, more=len(every) - MOST_NAMES)
    return named
