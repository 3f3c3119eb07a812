"""What a week is compared by: series of a machine's defects, a line's strokes and cans lost."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket
from tracelog.defects.counts import ProductionCount, production_counts
from tracelog.defects.queries import EntryFilter
from tracelog.handover.weekly.rules import WEEKS_BEFORE, Of, Series, bunch_of
from tracelog.instants import day_of, start_of_day
from tracelog.plant.queries import Directory, PlantView
from tracelog.strokes.queries import MachineSpan, machine_span, strokes_by_bucket

# A counter that says nothing for so long has fallen silent.
SILENT_AFTER = timedelta(hours=24)
HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class Week:
    """A week of the plant's clock from Monday, and the starts of the eight before it; UTC.

    `until` is its end, or now while it goes on.
    """

    monday: date
    edges: tuple[datetime, ...]
    until: datetime

    @property
    def start(self) -> datetime:
        """When it starts."""
        return self.edges[-2]

    @property
    def end(self) -> datetime:
        """When it ends; 167 or 169 hours later where the clock changes."""
        return self.edges[-1]

    @property
    def is_over(self) -> bool:
        """Whether it has ended."""
        return self.until == self.end


@dataclass(frozen=True)
class Evidence:
    """Counts of the week and of those before it, and which counters fell silent in it.

    Strokes and cans are by place (machine or line) and start of the week; `counted_until` is up
    to when counters that are not silent are known.
    """

    week: Week
    counted_until: datetime
    strokes: Mapping[tuple[uuid.UUID, datetime], int]
    spans: Mapping[uuid.UUID, MachineSpan]
    counts: Sequence[ProductionCount]
    silent: frozenset[uuid.UUID]

    def is_known(self, machine_id: uuid.UUID, start: datetime) -> bool:
        """Whether a machine's counter is known throughout the week that starts then."""
        span = self.spans.get(machine_id)
        if span is None or machine_id in self.silent:
            return False
        place = self.week.edges.index(start)
        return span.first_at <= start and min(
            self.week.edges[place + 1], self.counted_until
        ) <= max(span.last_at, start)


def week_of(day: date, zone: ZoneInfo, now: datetime) -> Week:
    """The week that holds a day.

    Args:
        day: of the plant's clock.
        zone: the plant's zone.
        now: UTC.

    Example:
        >>> from datetime import UTC
        >>> week = week_of(date(2026, 3, 25), ZoneInfo("Europe/Madrid"), datetime.now(UTC))
        >>> week.monday.isoformat(), (week.end - week.start) / HOUR
        ('2026-03-23', 167.0)
    """
    monday = day - timedelta(days=day.weekday())
    edges = tuple(
        start_of_day(monday + timedelta(days=7 * n), zone) for n in range(-WEEKS_BEFORE, 2)
    )
    return Week(monday, edges, min(edges[-1], max(now, edges[-2])))


def last_week(zone: ZoneInfo, now: datetime) -> date:
    """A day of the last week that has ended."""
    return day_of(now, zone) - timedelta(days=7)


def gather(session: Session, plant: PlantView, week: Week, now: datetime) -> Evidence:
    """Counts for a week's review, from all that is known now. A fixed number of statements.

    Args:
        session: an open session.
        plant: for its clock.
        week: which.
        now: UTC.
    """
    spans = machine_span(session, as_of=now)
    silent = frozenset(
        machine
        for machine, span in spans.items()
        if span.first_at < week.until and span.last_at < week.until - SILENT_AFTER
    )
    reads = [
        span.last_at
        for machine, span in spans.items()
        if machine not in silent and span.first_at < week.until
    ]
    counted_until = max(week.start, min([week.until, *reads]))
    first = week.edges[0]
    ends = max(counted_until, week.start + timedelta(seconds=1))
    strokes = {
        (row.machine_id, row.bucket_start): row.strokes
        for row in strokes_by_bucket(
            session, None, first, ends, Bucket.WEEK, rota=plant.rota, as_of=now
        )
    }
    asked = EntryFilter(start=first, end=ends, as_of=now)
    counts = production_counts(
        session, asked, by=("machine", "line", "defect", "bucket"), bucket=Bucket.WEEK
    )
    return Evidence(week, counted_until, strokes, spans, counts, silent)


def series_of(places: Directory, found: Evidence) -> list[Series]:
    """Everything that is compared. Weeks in which a counter is not known have no exposure.

    Args:
        places: as read.
        found: from `gather`.
    """
    starts = found.week.edges[:-1]
    entered: dict[tuple[str, str, datetime], int] = defaultdict(int)
    lost: dict[tuple[int, datetime], int] = defaultdict(int)
    entries: dict[int, int] = defaultdict(int)
    cans_in_all: dict[int, int] = defaultdict(int)
    kinds: dict[str, set[str]] = defaultdict(set)
    for row in found.counts:
        if row.bucket_start is None or row.defect is None:
            continue
        where = [] if row.line is None else [str(row.line)]
        if row.machine_id is not None:
            where.append(places.by_id[row.machine_id].text)
        for place in where:
            # Forty cans in one entry are one event.
            entered[place, row.defect, row.bucket_start] += row.entries
            kinds[place].add(row.defect)
        if row.line is not None:
            lost[row.line, row.bucket_start] += row.cans
            entries[row.line] += row.entries
            cans_in_all[row.line] += row.cans
    every: list[Series] = []
    for machine in places.bodymakers:
        made = [
            float(found.strokes.get((machine.id, start), 0))
            if found.is_known(machine.id, start)
            else 0.0
            for start in starts
        ]
        every += _defects(machine.text, sorted(kinds[machine.text]), entered, starts, made)
    for line in places.lines:
        ids = [one.id for one in places.bodymakers if one.line == line and one.id in found.spans]
        known = [bool(ids) and all(found.is_known(one, start) for one in ids) for start in starts]
        made = [
            float(sum(found.strokes.get((one, start), 0) for one in ids)) if is_known else 0.0
            for start, is_known in zip(starts, known, strict=True)
        ]
        every += _defects(str(line), sorted(kinds[str(line)]), entered, starts, made)
        cans = [lost.get((line, start), 0) for start in starts]
        an_entry = cans_in_all[line] / entries[line] if entries[line] else 1.0
        every.append(
            replace(_series(Of.SPOILAGE, str(line), None, cans, made), bunch=bunch_of(an_entry))
        )
        hours = [
            (min(end, found.counted_until) - start) / HOUR if is_known else 0.0
            for start, end, is_known in zip(starts, found.week.edges[1:], known, strict=True)
        ]
        if not found.week.is_over:
            # The first days of a week are not like a whole one.
            hours[-1] = 0.0
        every.append(_series(Of.STROKES, str(line), None, [int(one) for one in made], hours))
    return every


def _defects(
    place: str,
    kinds: Sequence[str],
    entered: Mapping[tuple[str, str, datetime], int],
    starts: Sequence[datetime],
    made: Sequence[float],
) -> list[Series]:
    return [
        _series(
            Of.DEFECT, place, kind, [entered.get((place, kind, one), 0) for one in starts], made
        )
        for kind in kinds
    ]


def _series(
    of: Of, place: str, defect: str | None, counts: Sequence[int], exposures: Sequence[float]
) -> Series:
    """A series in which nothing is counted where nothing is known."""
    known = [
        count if exposure > 0 else 0 for count, exposure in zip(counts, exposures, strict=True)
    ]
    return Series(
        of, place, defect, tuple(known[:-1]), tuple(exposures[:-1]), known[-1], exposures[-1]
    )
