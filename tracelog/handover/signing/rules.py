"""What changed since a page was signed: decisions that need no database."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.instants import start_of_day
from tracelog.language import _, figure

MOST_SHIFTS = 30
# Lists of the documented answer, and what one of each is called.
_LISTS = ("services", "tool_fits", "changes", "cases", "holds", "signals", "counter_questions")


@dataclass(frozen=True)
class Since:
    """How much more (or less, below 0) a page tells now than when it was signed."""

    entries: int
    cans: int
    strokes: int
    others: Mapping[str, int]

    @property
    def is_nothing(self) -> bool:
        """Whether it tells the same."""
        return not (self.entries or self.cans or self.strokes or any(self.others.values()))


def since_signed(shown: Mapping[str, Any], present: Mapping[str, Any]) -> Since:
    """Compare the page as it was signed with the page now.

    Args:
        shown, present: the documented answer about the shift.

    Example:
        >>> then = {"lines": [{"entries": 4, "cans": 9, "strokes": 100}]}
        >>> now = {"lines": [{"entries": 7, "cans": 12, "strokes": 100}]}
        >>> since_signed(then, now).entries
        3
    """

    def total(page: Mapping[str, Any], name: str) -> int:
        return sum(int(line[name]) for line in page.get("lines", ()))

    return Since(
        total(present, "entries") - total(shown, "entries"),
        total(present, "cans") - total(shown, "cans"),
        total(present, "strokes") - total(shown, "strokes"),
        {name: len(present.get(name, ())) - len(shown.get(name, ())) for name in _LISTS},
    )


def since_sentence(since: Since) -> str | None:
    """What came late, in one sentence; None: the page tells the same."""
    if since.is_nothing:
        return None
    parts = []
    if since.entries > 0:
        parts.append(
            _("1 entry came late")
            if since.entries == 1
            else _("%(entries)d entries came late", entries=since.entries)
        )
    elif since.entries < 0:
        parts.append(_("%(entries)d entries fewer count", entries=-since.entries))
    if since.cans:
        parts.append(_("cans lost changed by %(cans)+d", cans=since.cans))
    if since.strokes:
        parts.append(_("strokes changed by %(strokes)s", strokes=figure(since.strokes, "+,")))
    words = {
        "services": _("services"),
        "tool_fits": _("tools fitted"),
        "changes": _("changes"),
        "cases": _("cases moved"),
        "holds": _("holds"),
        "signals": _("signals"),
        "counter_questions": _("counters in question"),
    }
    parts += [f"{words[name]} {count:+d}" for name, count in since.others.items() if count]
    return _("Since it was signed: %(what)s.", what="; ".join(parts))


def last_of_day(day: date, zone: ZoneInfo) -> datetime:
    """The last minute of a day of the plant's clock, UTC.

    Raises:
        ValueError: there is no such day in any plant's life.
    """
    if not 1900 <= day.year < 9999:
        raise ValueError(_("'%(day)s' is out of range; give a day since 1900", day=day))
    return start_of_day(day + timedelta(days=1), zone) - timedelta(minutes=1)
