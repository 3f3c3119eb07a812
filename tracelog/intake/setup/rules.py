"""Decisions of setting up a plant: ranges of numbers, shift patterns, and what was shown."""

import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from tracelog.language import _

# More than any line has; a slip such as 1-999 is caught.
MOST_AT_ONCE = 60
LARGEST_NUMBER = 999
MOST_CYCLE_DAYS = 56
MOST_SHIFTS = 4
_RANGE = re.compile(r"([0-9]{1,4})(?:\s*(?:-|–|—|\.\.)\s*([0-9]{1,4}))?", re.ASCII)


def numbers_of(text: str) -> list[int]:
    """The numbers that people write as ``1-3``, ``1, 2, 5`` or ``1-8 10``, in order.

    Raises:
        ValueError: not such a text, or too many at once.

    Example:
        >>> numbers_of("1-3, 5")
        [1, 2, 3, 5]
    """
    found: set[int] = set()
    place = 0
    cleaned = text.strip()
    while place < len(cleaned):
        match = _RANGE.match(cleaned, place)
        if match is None:
            raise ValueError(_("is not a row of numbers; write it such as 1-3 or 1, 2, 5"))
        first, last = int(match[1]), int(match[2] or match[1])
        if not 1 <= first <= LARGEST_NUMBER or not 1 <= last <= LARGEST_NUMBER:
            raise ValueError(_("has a number out of range; numbers go from 1 to 999"))
        if last < first:
            raise ValueError(_("has a row that ends before it begins; write the smaller one first"))
        if last - first >= MOST_AT_ONCE:
            raise ValueError(_("is too many at once; enter at most %(most)d", most=MOST_AT_ONCE))
        found.update(range(first, last + 1))
        place = match.end()
        while place < len(cleaned) and cleaned[place] in " ,;\t\n\r":
            place += 1
    if not found:
        raise ValueError(_("is missing; write it such as 1-3 or 1, 2, 5"))
    if len(found) > MOST_AT_ONCE:
        raise ValueError(_("is too many at once; enter at most %(most)d", most=MOST_AT_ONCE))
    return sorted(found)


def mark_of(shown: Any) -> str:
    """A short mark of what a page showed; another mark later says that it has changed since."""
    text = json.dumps(shown, sort_keys=True, default=str, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@dataclass(frozen=True)
class Pattern:
    """A way to share the hours of a day among crews; common practice, no source.

    Attributes:
        key: in the address.
        title: what people call it.
        shifts: name and start of each.
        cycle: for each day, the crew of each shift.
    """

    key: str
    title: str
    shifts: tuple[tuple[str, str], ...]
    cycle: tuple[tuple[str, ...], ...]

    @property
    def crews(self) -> tuple[str, ...]:
        """All crews, in order of their names."""
        return tuple(sorted({crew for day in self.cycle for crew in day}))


# Two days on, two off, three on, and the other way round in the second week.
_TWO_TWO_THREE = "AABBAAABBAABBB"


def patterns() -> tuple[Pattern, ...]:
    """The patterns to start from."""
    twelve = ((_("day"), "06:00"), (_("night"), "18:00"))
    eight = ((_("early"), "06:00"), (_("late"), "14:00"), (_("night"), "22:00"))
    other = {"A": "C", "B": "D"}
    fixed = tuple((crew, other[crew]) for crew in _TWO_TWO_THREE)
    return (
        Pattern(
            "12h-2-2-3",
            _("two 12 h shifts, four crews, 2-2-3; two crews stay on days, two on nights"),
            twelve,
            fixed,
        ),
        Pattern(
            "12h-2-2-3-turning",
            _("two 12 h shifts, four crews, 2-2-3; days and nights change every two weeks"),
            twelve,
            fixed + tuple((night, day) for day, night in fixed),
        ),
        Pattern(
            "8h-2-2-2",
            _("three 8 h shifts, four crews: two early, two late, two nights, two off"),
            eight,
            _two_of_each(),
        ),
        Pattern(
            "8h-weeks",
            _("three 8 h shifts, three crews that change every week"),
            eight,
            _by_weeks("ABC"),
        ),
        Pattern(
            "12h-weeks",
            _("two 12 h shifts, two crews that change every week"),
            twelve,
            _by_weeks("AB"),
        ),
    )


def _two_of_each() -> tuple[tuple[str, ...], ...]:
    """Of crews that begin two days apart: who has worked less than two days of each shift."""
    days = []
    for day in range(8):
        at_work = {
            ((day - 2 * place) % 8) // 2: crew
            for place, crew in enumerate("ABCD")
            if (day - 2 * place) % 8 < 6
        }
        days.append(tuple(at_work[shift] for shift in range(3)))
    return tuple(days)


def _by_weeks(crews: str) -> tuple[tuple[str, ...], ...]:
    return tuple(
        tuple(crews[(place - week) % len(crews)] for place in range(len(crews)))
        for week in range(len(crews))
        for _day in range(7)
    )


def pattern_named(key: str) -> Pattern | None:
    """The pattern of that key."""
    return next((one for one in patterns() if one.key == key), None)


def last_monday(day: date) -> date:
    """The Monday on or before a day: where a cycle mostly begins."""
    return day - timedelta(days=day.weekday())


def counted(numbers: Iterable[int]) -> str:
    """Numbers as people write them: ``1-8, 10``."""
    parts: list[str] = []
    row: list[int] = []
    for number in sorted(numbers):
        if row and number == row[-1] + 1:
            row.append(number)
            continue
        if row:
            parts.append(_row(row))
        row = [number]
    if row:
        parts.append(_row(row))
    return ", ".join(parts)


def _row(row: Sequence[int]) -> str:
    return str(row[0]) if len(row) == 1 else f"{row[0]}-{row[-1]}"
