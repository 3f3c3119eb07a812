"""What planned periods mean for one machine: pure, no database.

A period is about the whole plant, a line or one machine; a machine stands whenever any of those
that concern it says so. Hours are real hours, so a day of a clock change has 23 or 25.
"""

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from tracelog.instants import HOUR, start_of_day


class PeriodKind(StrEnum):
    """What is planned."""

    # The line or machine stands.
    STOP = "stop"
    # It runs, and no service may be put there.
    NO_SERVICE = "no service"


@dataclass(frozen=True)
class PlannedPeriodView:
    """A planned period as it is kept.

    Attributes:
        id: its id.
        kind: what is planned.
        line_id: None for the whole plant.
        machine_id: None for the whole line.
        starts_at, ends_at: UTC; the end is left out.
        reason: why, as people wrote it.
        uid: the calendar event it came from.
        announced_at: UTC, when it became known; None: it always was.
        withdrawn_at: UTC, when it was taken back; None: it stands.
    """

    id: uuid.UUID
    kind: PeriodKind
    line_id: uuid.UUID | None
    machine_id: uuid.UUID | None
    starts_at: datetime
    ends_at: datetime
    reason: str | None
    uid: str | None
    announced_at: datetime | None
    withdrawn_at: datetime | None

    def concerns(self, line_id: uuid.UUID, machine_id: uuid.UUID | None = None) -> bool:
        """Whether it is about this machine of this line; without a machine, about the whole line.

        A period of the plant concerns every line, one of a line every machine of it.
        """
        return (self.line_id is None or self.line_id == line_id) and (
            self.machine_id is None or self.machine_id == machine_id
        )


@dataclass(frozen=True, order=True)
class PlannedSpan:
    """A stretch of time, UTC, from `start` up to but without `end`."""

    start: datetime
    end: datetime

    @property
    def hours(self) -> float:
        """How long it is."""
        return (self.end - self.start) / HOUR


def concerning(
    periods: Iterable[PlannedPeriodView],
    line_id: uuid.UUID,
    machine_id: uuid.UUID | None = None,
    kind: PeriodKind | None = None,
) -> list[PlannedPeriodView]:
    """The periods that are about one machine: its own, its line's and the plant's.

    Args:
        periods: any.
        line_id: the machine's line.
        machine_id: the machine; None: only what concerns its whole line.
        kind: only periods of this kind; None: of any.

    Returns:
        Those periods, in the order given.
    """
    return [
        period
        for period in periods
        if (kind is None or period.kind is kind) and period.concerns(line_id, machine_id)
    ]


def merged(periods: Iterable[PlannedPeriodView | PlannedSpan]) -> tuple[PlannedSpan, ...]:
    """The time that the periods cover together: in order, apart, each as long as it can be."""
    spans = sorted(
        one if isinstance(one, PlannedSpan) else PlannedSpan(one.starts_at, one.ends_at)
        for one in periods
    )
    found: list[PlannedSpan] = []
    for span in spans:
        if found and span.start <= found[-1].end:
            if span.end > found[-1].end:
                found[-1] = PlannedSpan(found[-1].start, span.end)
        elif span.start < span.end:
            found.append(span)
    return tuple(found)


def cut(spans: Iterable[PlannedSpan], start: datetime, end: datetime) -> tuple[PlannedSpan, ...]:
    """The parts of spans that lie in [start, end)."""
    return tuple(
        PlannedSpan(max(span.start, start), min(span.end, end))
        for span in spans
        if span.start < end and span.end > start
    )


def hours_within(spans: Iterable[PlannedSpan], start: datetime, end: datetime) -> float:
    """Hours of `spans` (apart from each other, see `merged`) that lie in [start, end)."""
    return sum(span.hours for span in cut(spans, start, end))


def is_weekly_alike(one: PlannedPeriodView, other: PlannedPeriodView, zone: ZoneInfo) -> bool:
    """Whether two periods say the same at the same times of the week, as a weekly one does."""

    def of_week(period: PlannedPeriodView) -> tuple[object, ...]:
        starts, ends = (at.astimezone(zone) for at in (period.starts_at, period.ends_at))
        days = (ends.date() - starts.date()).days
        return (
            *(period.kind, period.line_id, period.machine_id, period.reason),
            *(starts.weekday(), starts.time(), days, ends.time()),
        )

    return of_week(one) == of_week(other)


def day_bounds(day: date, zone: ZoneInfo) -> PlannedSpan:
    """A day of the plant's clock: 24 hours, or 23 or 25 where the clock is changed."""
    return PlannedSpan(start_of_day(day, zone), start_of_day(day + timedelta(days=1), zone))


def hours_in_day(spans: Iterable[PlannedSpan], day: date, zone: ZoneInfo) -> float:
    """Hours of `spans` (apart from each other) within a day of the plant's clock."""
    bounds = day_bounds(day, zone)
    return hours_within(spans, bounds.start, bounds.end)


def running_share(spans: Sequence[PlannedSpan], day: date, zone: ZoneInfo) -> float:
    """Share of a day of the plant's clock that `spans` (apart from each other) leave free, 0 to 1.

    Example:
        >>> from datetime import UTC
        >>> stop = PlannedSpan(
        ...     datetime(2026, 3, 29, 4, tzinfo=UTC), datetime(2026, 3, 29, 12, tzinfo=UTC)
        ... )
        >>> share = running_share([stop], date(2026, 3, 29), ZoneInfo("Europe/Madrid"))
        >>> round(share * 23)
        15
    """
    bounds = day_bounds(day, zone)
    return 1.0 - hours_within(spans, bounds.start, bounds.end) / bounds.hours
