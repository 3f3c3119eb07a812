"""Counts of a shift against the 28 days before it: strokes, spoilage and entries by defect."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket, periods
from tracelog.defects.counts import ProductionCount, production_counts
from tracelog.defects.queries import (
    MOST_ENTRIES,
    EntryFilter,
    EntryView,
    entries,
    vocabulary,
)
from tracelog.handover.rules import (
    DefectShift,
    ShiftCount,
    Spoilage,
    against_usual,
    per_hour,
    spoilage,
)
from tracelog.plant.queries import Directory, PlantView
from tracelog.strokes.queries import MachineSpan, machine_span, strokes_by_machine

BEFORE = timedelta(days=28)


@dataclass(frozen=True)
class LineShift:
    """One line in a shift: strokes and entries, and strokes per hour against the 28 days before.

    `read_until` is when one of its counters was read last in the shift: strokes are known until
    then, and strokes per hour are of the time that is known. None: none was read yet.
    """

    line: int
    name: str
    strokes: int
    read_until: datetime | None
    strokes_per_hour: float
    usual_per_hour: float
    entries: int
    cans: int
    spoilage: Spoilage


@dataclass(frozen=True)
class Known:
    """Strokes and entries of the shift [start, until), and of the 28 days before it."""

    start: datetime
    until: datetime
    strokes: Mapping[uuid.UUID, int]
    strokes_before: Mapping[uuid.UUID, int]
    spans: Mapping[uuid.UUID, MachineSpan]
    entries: Sequence[EntryView]
    before: Sequence[ProductionCount]
    by_shift: Sequence[ProductionCount]
    shifts_before: int
    titles: Mapping[str, str]

    def read_until(self, machine_id: uuid.UUID) -> datetime | None:
        """Until when a machine's counter is known, None if not within the shift."""
        span = self.spans.get(machine_id)
        if span is None or span.last_at <= self.start:
            return None
        return min(span.last_at, self.until)

    def usual_rates(self) -> dict[uuid.UUID, float]:
        """Strokes an hour of each machine in the 28 days before, of the time that is known."""
        return {
            machine: per_hour(
                [(self.strokes_before.get(machine, 0), part(span, self.start - BEFORE, self.start))]
            )
            for machine, span in self.spans.items()
        }


def known_counts(
    session: Session, plant: PlantView, start: datetime, until: datetime, as_of: datetime
) -> Known:
    """Everything that is counted of a shift and of the 28 days before it.

    Args:
        session: an open session.
        plant: for its shifts.
        start, until: UTC; the shift as far as it has gone.
        as_of: UTC; only what was known by then.

    Returns:
        A fixed number of statements.
    """
    earlier = EntryFilter(start=start - BEFORE, end=start, as_of=as_of)
    in_shift = EntryFilter(start=start, end=until, as_of=as_of)
    spans = machine_span(session, as_of=as_of)
    first = min((span.first_at for span in spans.values()), default=start)
    known_from = max(first, start - BEFORE)
    return Known(
        start,
        until,
        strokes_by_machine(session, start, until, as_of=as_of),
        strokes_by_machine(session, start - BEFORE, start, as_of=as_of),
        spans,
        entries(session, in_shift, MOST_ENTRIES).rows,
        production_counts(session, earlier, by=("machine", "line", "defect")),
        production_counts(session, earlier, by=("line", "bucket"), bucket=Bucket.SHIFT),
        len(periods(Bucket.SHIFT, known_from, start, plant.zone, plant.rota)),
        {kind.defect: kind.title for kind in vocabulary(session)},
    )


def shift_counts(machines: Directory, known: Known) -> list[ShiftCount]:
    """What is compared by machine: only happenings for which the strokes are known too."""
    happenings: dict[uuid.UUID, int] = defaultdict(int)
    for entry in known.entries:
        if entry.machine is not None and entry.inspected is None:
            read_until = known.read_until(entry.machine.id)
            if read_until is not None and entry.occurred_at < read_until:
                happenings[entry.machine.id] += entry.counted_occurrences
    before: dict[uuid.UUID, int] = defaultdict(int)
    for row in known.before:
        if row.machine_id is not None:
            before[row.machine_id] += row.counted_occurrences
    return [
        ShiftCount(
            machine.text,
            happenings.get(machine.id, 0),
            known.strokes.get(machine.id, 0),
            before.get(machine.id, 0),
            known.strokes_before.get(machine.id, 0),
        )
        for machine in machines.bodymakers
    ]


def line_shifts(machines: Directory, known: Known) -> list[LineShift]:
    """The lines of the plant in a shift, in order."""
    found = []
    for line in machines.lines:
        ids = [machine.id for machine in machines.bodymakers if machine.line == line]
        logged = [entry for entry in known.entries if entry.line == line]
        reads = [moment for moment in map(known.read_until, ids) if moment is not None]
        read_until = max(reads, default=None)
        spans = [(one, known.spans[one]) for one in ids if one in known.spans]
        shift = [(known.strokes[one], part(span, known.start, known.until)) for one, span in spans]
        usual = [
            (known.strokes_before[one], part(span, known.start - BEFORE, known.start))
            for one, span in spans
        ]
        strokes = sum(known.strokes.get(one, 0) for one in ids)
        lost = [
            entry.cans
            for entry in logged
            if entry.inspected is None and read_until is not None and entry.occurred_at < read_until
        ]
        found.append(
            LineShift(
                line,
                machines.line_names[line],
                strokes,
                read_until,
                per_hour(shift),
                per_hour(usual),
                len(logged),
                sum(entry.cans for entry in logged),
                spoilage(
                    lost,
                    strokes,
                    _cans_by_shift(known, line),
                    sum(known.strokes_before.get(one, 0) for one in ids),
                ),
            )
        )
    return found


def _cans_by_shift(known: Known, line: int) -> list[int]:
    """Cans that a line lost in each of the shifts of the 28 days before, also where it was none."""
    lost: dict[datetime | None, int] = defaultdict(int)
    for row in known.by_shift:
        if row.line == line:
            lost[row.bucket_start] += row.cans
    return [*lost.values(), *[0] * (known.shifts_before - len(lost))]


def defect_shifts(known: Known) -> list[DefectShift]:
    """Kinds of defect that were found in the shift, or usually are, against the 28 days before.

    Strokes are those of the plant; entries later than its last reading are told and not compared.
    """
    reads = [moment for moment in map(known.read_until, known.spans) if moment is not None]
    read_until = max(reads, default=known.start)
    entered: dict[str, list[EntryView]] = defaultdict(list)
    for entry in known.entries:
        if entry.inspected is None:
            entered[entry.defect].append(entry)
    before: dict[str, int] = defaultdict(int)
    for row in known.before:
        before[row.defect or ""] += row.entries
    return against_usual(
        [
            (
                defect,
                known.titles.get(defect, defect),
                len(entered.get(defect, ())),
                sum(one.counted_occurrences for one in entered.get(defect, ())),
                sum(one.occurred_at < read_until for one in entered.get(defect, ())),
                before.get(defect, 0),
            )
            for defect in sorted({*entered, *before})
        ],
        sum(known.strokes.values()),
        sum(known.strokes_before.values()),
    )


def part(span: MachineSpan, start: datetime, end: datetime) -> float:
    """Hours of [start, end) for which a counter is known; not above 0 where it is not."""
    return (min(span.last_at, end) - max(span.first_at, start)) / timedelta(hours=1)
