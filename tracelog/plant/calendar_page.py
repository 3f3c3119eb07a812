"""What the page of the calendar shows: weeks as grids of days, and the periods as a list.

Pure: periods, the plant's lines and its zone in, words and figures out.
"""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from tracelog.instants import day_of, show_day, start_of_day
from tracelog.language import _
from tracelog.plant.calendar_rules import (
    PeriodKind,
    PlannedPeriodView,
    PlannedSpan,
    day_bounds,
    hours_within,
    merged,
)
from tracelog.plant.queries import Directory

WEEKS_SHOWN = (4, 8, 13, 26)
USUAL_WEEKS = 8
MOST_LISTED = 250


@dataclass(frozen=True)
class DayMark:
    """Hours of one kind on one day: short enough for the grid, and in words."""

    kind: PeriodKind
    short: str
    words: str


@dataclass(frozen=True)
class DayCell:
    """What is planned at one place on one day."""

    day: date
    marks: tuple[DayMark, ...]


@dataclass(frozen=True)
class WeekRow:
    """One place within one week."""

    place: str
    cells: tuple[DayCell, ...]


@dataclass(frozen=True)
class Week:
    """A week from Monday to Sunday, with the places where something is planned."""

    monday: date
    days: tuple[date, ...]
    rows: tuple[WeekRow, ...]


@dataclass(frozen=True)
class Listed:
    """One period as the list shows it."""

    id: uuid.UUID
    when: str
    place: str
    kind: PeriodKind
    hours: str
    reason: str | None
    announced_at: datetime | None
    is_from_file: bool


@dataclass(frozen=True)
class CalendarPage:
    """Everything that the page shows of a time."""

    first: date
    weeks: tuple[Week, ...]
    listed: tuple[Listed, ...]
    left_off: int
    earlier: date
    later: date


def shown_time(first: date, weeks: int, zone: ZoneInfo) -> PlannedSpan:
    """The time of so many weeks, from the Monday of a day on."""
    monday = first - timedelta(days=first.weekday())
    return PlannedSpan(
        start_of_day(monday, zone), start_of_day(monday + timedelta(weeks=weeks), zone)
    )


def calendar_page(
    periods: Sequence[PlannedPeriodView], known: Directory, time: PlannedSpan, zone: ZoneInfo
) -> CalendarPage:
    """The page of a time (see `shown_time`).

    Args:
        periods: those that share an instant with it, in order.
        known: of the plant.
        time: whole weeks.
        zone: the plant's zone.
    """
    first, after = day_of(time.start, zone), day_of(time.end, zone)
    length = after - first
    mondays = [first + timedelta(weeks=n) for n in range(length.days // 7)]
    listed = tuple(_listed(one, known, zone) for one in periods[:MOST_LISTED])
    return CalendarPage(
        first,
        tuple(_week(monday, periods, known, zone) for monday in mondays),
        listed,
        len(periods) - len(listed),
        first - length,
        after,
    )


def _week(
    monday: date, periods: Sequence[PlannedPeriodView], known: Directory, zone: ZoneInfo
) -> Week:
    days = tuple(monday + timedelta(days=n) for n in range(7))
    bounds = [day_bounds(day, zone) for day in days]
    within = [
        one for one in periods if one.starts_at < bounds[-1].end and one.ends_at > bounds[0].start
    ]
    places = dict.fromkeys(sorted((_order(one, known), place_words(one, known)) for one in within))
    rows = []
    for _rank, place in places:
        own = [one for one in within if place_words(one, known) == place]
        spans = {kind: merged(one for one in own if one.kind is kind) for kind in PeriodKind}
        cells = zip(days, bounds, strict=True)
        rows.append(WeekRow(place, tuple(_cell(day, at, spans) for day, at in cells)))
    return Week(monday, days, tuple(rows))


def _cell(
    day: date, bounds: PlannedSpan, spans: Mapping[PeriodKind, Sequence[PlannedSpan]]
) -> DayCell:
    hours = {kind: hours_within(own, bounds.start, bounds.end) for kind, own in spans.items()}
    return DayCell(day, tuple(_mark(kind, h, bounds.hours) for kind, h in hours.items() if h > 0))


def _mark(kind: PeriodKind, hours: float, of_day: float) -> DayMark:
    is_whole = hours >= of_day
    length = _("all day") if is_whole else _("%(hours)s hours", hours=hours_text(hours))
    words = _("stands %(length)s", length=length)
    if kind is PeriodKind.NO_SERVICE:
        words = _("no service %(length)s", length=length)
    return DayMark(kind, _("all") if is_whole else f"{max(round(hours), 1)}", words)


def hours_text(hours: float) -> str:
    """Hours to a tenth, without a needless end: ``8``, ``7.5``, ``under 0.1``."""
    return f"{round(hours, 1):g}" if hours >= 0.1 else _("under 0.1")


def _order(period: PlannedPeriodView, known: Directory) -> tuple[int, int]:
    """The plant first, then each line and its machines."""
    if period.line_id is None:
        return 0, 0
    line = known.line_numbers[period.line_id]
    return line, known.by_id[period.machine_id].number if period.machine_id else 0


def place_words(period: PlannedPeriodView, known: Directory) -> str:
    """Where, in the words of the page."""
    if period.machine_id is not None:
        return known.by_id[period.machine_id].text
    if period.line_id is None:
        return _("Plant")
    return _("Line %(line)d", line=known.line_numbers[period.line_id])


def _listed(period: PlannedPeriodView, known: Directory, zone: ZoneInfo) -> Listed:
    return Listed(
        period.id,
        when_words(period, zone),
        place_words(period, known),
        period.kind,
        hours_text(PlannedSpan(period.starts_at, period.ends_at).hours),
        period.reason,
        period.announced_at,
        period.uid is not None,
    )


def when_words(period: PlannedPeriodView, zone: ZoneInfo) -> str:
    """From when until when, on the plant's clock: whole days as days, one day only once."""
    first, after = (day_of(at, zone) for at in (period.starts_at, period.ends_at))
    if (start_of_day(first, zone), start_of_day(after, zone)) == (period.starts_at, period.ends_at):
        last = after - timedelta(days=1)
        return _named(first) if first == last else _to(_named(first), _named(last))
    starts, ends = (at.astimezone(zone) for at in (period.starts_at, period.ends_at))
    end = f"{ends:%H:%M}" if first == after else f"{_named(after)} {ends:%H:%M}"
    return _to(f"{_named(first)} {starts:%H:%M}", end)


def _to(start: str, end: str) -> str:
    return _("%(start)s to %(end)s", start=start, end=end)


def weekday_words() -> tuple[str, ...]:
    """Short names of the days from Monday on."""
    return (_("Mon"), _("Tue"), _("Wed"), _("Thu"), _("Fri"), _("Sat"), _("Sun"))


def weekday_heads() -> tuple[str, ...]:
    """The same, as narrow as the heads of a week's columns."""
    return (_("Mo"), _("Tu"), _("We"), _("Th"), _("Fr"), _("Sa"), _("Su"))


def _named(day: date) -> str:
    return f"{weekday_words()[day.weekday()]} {show_day(day)}"
