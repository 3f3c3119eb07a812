"""Reads for rates and charts: what was reported, and the strokes or samples it came from.

All of it through the reads of the log and of the counters; the number of statements is fixed.
"""

import uuid
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeAlias

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket, periods
from tracelog.defects.queries import By as ToldApart
from tracelog.defects.queries import (
    DefectView,
    EntryFilter,
    ProductionCount,
    first_and_last,
    production_counts,
    sample_counts,
    vocabulary,
)
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.plant.queries import Directory, PlantView
from tracelog.strokes.queries import last_reading, strokes_by_bucket, strokes_by_machine
from tracelog.trends.questions import MOST_POINTS, ChartQuestion, Known, RateQuestion
from tracelog.trends.rules import By, Evidence, Found


@dataclass(frozen=True)
class RateKey:
    """What one rate is of; None where it is of all."""

    bucket_start: datetime | None = None
    line: int | None = None
    machine_id: uuid.UUID | None = None
    defect: str | None = None


@dataclass(frozen=True)
class RateEvidence:
    """Counts and exposures by key, and what could not be given to any key."""

    found: dict[RateKey, Found]
    exposures: dict[RateKey, int]
    unsettled: Found


def known_words(
    session: Session,
    plant: PlantView,
    places: Directory,
    now: datetime,
    kinds: Sequence[DefectView] | None = None,
) -> Known:
    """What choices are read against. Three statements beside those of plant and directory.

    Args:
        session: an open session.
        plant, places: as read.
        now: what counts as latest where there are no data.
        kinds: the kinds of defect, if the caller has read them already.
    """
    kinds = vocabulary(session) if kinds is None else kinds
    latest = [one.read_at for one in last_reading(session).values()]
    logged = first_and_last(session)
    if logged is not None:
        latest.append(logged[1])
    return Known(
        zone=plant.zone,
        places=places,
        defects=tuple(one.defect for one in kinds),
        latest_at=max(latest, default=None),
        now=now,
    )


@dataclass(frozen=True)
class Gathered:
    """All that was reported from production in a period, and all strokes, read once.

    What rates, Pareto and silent machines are made of: each takes from it what it asks for.
    """

    counts: tuple[ProductionCount, ...]
    strokes: dict[uuid.UUID, int]

    @property
    def heard_of(self) -> set[uuid.UUID | None]:
        """Machines of which anything was reported."""
        return {row.machine_id for row in self.counts}


def gather(session: Session, asked: RateQuestion) -> Gathered:
    """Everything from production in the period of a question, whatever else it asks for."""
    everything = EntryFilter(start=asked.start, end=asked.end, as_of=asked.as_of)
    counts = production_counts(session, everything, by=("line", "machine", "defect"))
    strokes = strokes_by_machine(session, asked.start, asked.end, as_of=asked.as_of)
    return Gathered(tuple(counts), strokes)


def rate_evidence(
    session: Session,
    plant: PlantView,
    places: Directory,
    asked: RateQuestion,
    gathered: Gathered | None = None,
) -> RateEvidence:
    """What the rates of a question are made of.

    Args:
        session: an open session.
        plant, places: as read.
        asked: which rates.
        gathered: what `gather` gave for the same period, if the caller has it.

    Raises:
        TracelogError: samples of several kinds of defect at once, told at ``defect``; too many
            rows, or shifts of a plant without any, told at ``bucket``.
    """
    if asked.evidence is Evidence.SAMPLES:
        return _sample_evidence(session, asked)
    if asked.bucket is None:
        gathered = gathered or gather(session, asked)
        rows = [row for row in gathered.counts if _is_asked_for(row, asked)]
        found, unsettled = _by_key(rows, asked)
        scope = machines_in_scope(places, asked)
        strokes: Strokes = {(None, m): n for m, n in gathered.strokes.items() if m in scope}
    else:
        _check_number(plant, places, asked)
        counted = production_counts(
            session, entry_filter(asked), by=_told_apart(asked), bucket=asked.bucket
        )
        found, unsettled = _by_key(counted, asked)
        strokes = _bucket_strokes(session, plant, places, asked, asked.bucket)
    lines = {machine.id: machine.line for machine in places.bodymakers}
    return RateEvidence(found, _exposures(found, strokes, asked, lines), unsettled)


def _is_asked_for(row: ProductionCount, asked: RateQuestion) -> bool:
    return (
        (not asked.defects or row.defect in asked.defects)
        and (asked.line is None or row.line == asked.line)
        and (asked.machine is None or row.machine_id == asked.machine.id)
    )


def _check_number(plant: PlantView, places: Directory, asked: RateQuestion) -> None:
    if asked.bucket is None:
        return
    buckets = len(periods(asked.bucket, asked.start, asked.end, plant.zone, plant.rota))
    members = len(places.bodymakers) if asked.by is By.MACHINE and asked.machine is None else 1
    if buckets * members > 20 * MOST_POINTS:
        raise TracelogError(
            _(
                "gives %(rows)d rows; choose a longer bucket or a shorter period",
                rows=buckets * members,
            ),
            "bucket",
        )


def entry_filter(asked: RateQuestion | ChartQuestion) -> EntryFilter:
    """The entries that a question counts."""
    return EntryFilter(
        start=asked.start,
        end=asked.end,
        line=asked.line,
        machine_ids=None if asked.machine is None else (asked.machine.id,),
        defects=asked.defects,
        as_of=asked.as_of,
    )


_TOLD_APART: dict[By, tuple[ToldApart, ...]] = {
    By.MACHINE: ("machine",),
    By.LINE: ("line",),
    By.DEFECT: ("defect",),
    By.PLANT: (),
}


def _told_apart(asked: RateQuestion) -> tuple[ToldApart, ...]:
    by = _TOLD_APART[asked.by]
    return by if asked.bucket is None else (*by, "bucket")


def _by_key(
    rows: Iterable[ProductionCount], asked: RateQuestion
) -> tuple[dict[RateKey, Found], Found]:
    """What was found by key, and what belongs to no key yet."""
    found: dict[RateKey, Found] = {}
    unsettled = Found()
    for row in rows:
        one = Found(row.cans, row.counted_occurrences, row.entries)
        key = _key(asked, row.bucket_start, row.line, row.machine_id, row.defect)
        if key is None:
            unsettled = _sum(unsettled, one)
        else:
            found[key] = _sum(found.get(key, Found()), one)
    return found, unsettled


def _sum(one: Found, other: Found) -> Found:
    return Found(
        one.cans + other.cans, one.occurrences + other.occurrences, one.entries + other.entries
    )


def _key(
    asked: RateQuestion,
    bucket_start: datetime | None,
    line: int | None,
    machine_id: uuid.UUID | None,
    defect: str | None,
) -> RateKey | None:
    """The key of a row, None if nobody knows yet which machine or line it belongs to."""
    start = bucket_start if asked.bucket is not None else None
    if asked.by is By.MACHINE:
        return None if machine_id is None else RateKey(start, machine_id=machine_id)
    if asked.by is By.LINE:
        return None if line is None else RateKey(start, line=line)
    return RateKey(start, defect=defect if asked.by is By.DEFECT else None)


def machines_in_scope(places: Directory, asked: RateQuestion | ChartQuestion) -> set[uuid.UUID]:
    """The bodymakers whose strokes a question counts."""
    if asked.machine is not None:
        return {asked.machine.id}
    return {m.id for m in places.bodymakers if asked.line is None or m.line == asked.line}


# Strokes by bucket (None without buckets) and machine.
Strokes: TypeAlias = dict[tuple[datetime | None, uuid.UUID], int]


def _bucket_strokes(
    session: Session, plant: PlantView, places: Directory, asked: RateQuestion, bucket: Bucket
) -> Strokes:
    rows = strokes_by_bucket(
        session,
        machines_in_scope(places, asked),
        asked.start,
        asked.end,
        bucket,
        rota=plant.rota,
        as_of=asked.as_of,
    )
    return {(row.bucket_start, row.machine_id): row.strokes for row in rows}


def _exposures(
    found: Collection[RateKey],
    strokes: Strokes,
    asked: RateQuestion,
    lines: dict[uuid.UUID, int],
) -> dict[RateKey, int]:
    exposures: dict[RateKey, int] = defaultdict(int)
    kinds = _kinds_of_defect(found, asked)
    for (start, machine), counted in strokes.items():
        if asked.by is By.MACHINE:
            exposures[RateKey(start, machine_id=machine)] += counted
        elif asked.by is By.LINE:
            exposures[RateKey(start, line=lines[machine])] += counted
        else:
            for kind in kinds:
                exposures[RateKey(start, defect=kind)] += counted
    return dict(exposures)


def _kinds_of_defect(found: Collection[RateKey], asked: RateQuestion) -> list[str | None]:
    """Kinds that get a row: those reported, and those asked for."""
    if asked.by is not By.DEFECT:
        return [None]
    return list(dict.fromkeys([*asked.defects, *(key.defect for key in found)]))


def _sample_evidence(session: Session, asked: RateQuestion) -> RateEvidence:
    if len(asked.defects) != 1 and asked.by is not By.DEFECT:
        raise TracelogError(one_kind_only(), "defect")
    found: dict[RateKey, Found] = {}
    exposures: dict[RateKey, int] = {}
    unsettled = Found()
    rows = sample_counts(
        session, entry_filter(asked), by=_told_apart(asked), bucket=asked.bucket or Bucket.DAY
    )
    for row in rows:
        key = _key(asked, row.bucket_start, row.line, row.machine_id, row.defect)
        one = Found(row.cans, row.cans, row.samples)
        if key is None:
            unsettled = _sum(unsettled, one)
            continue
        found[key] = _sum(found.get(key, Found()), one)
        exposures[key] = exposures.get(key, 0) + row.inspected
    return RateEvidence(found, exposures, unsettled)


def one_kind_only() -> str:
    """Why samples need one kind of defect."""
    return _(
        "choose one kind of defect: a sample that was looked at for two kinds would count its cans"
        " twice"
    )


@dataclass(frozen=True)
class Silent:
    """A machine that ran and of which nothing at all was logged."""

    machine_id: uuid.UUID
    days_of_running: int


def silent_machines(
    session: Session, plant: PlantView, asked: RateQuestion, quiet: Collection[uuid.UUID]
) -> list[Silent]:
    """Which machines without any report were not looked at either, and for how long they ran.

    Args:
        session: an open session.
        plant: as read.
        asked: the period.
        quiet: machines of which nothing was reported from production.

    Returns:
        Those that ran and of which there is no sample; no statement where none is quiet.
    """
    if not quiet:
        return []
    every = EntryFilter(
        start=asked.start, end=asked.end, machine_ids=tuple(quiet), as_of=asked.as_of
    )
    looked_at = {row.machine_id for row in sample_counts(session, every, by=("machine",))}
    silent = [machine for machine in quiet if machine not in looked_at]
    days: dict[uuid.UUID, int] = defaultdict(int)
    for row in strokes_by_bucket(
        session, silent, asked.start, asked.end, Bucket.DAY, rota=plant.rota, as_of=asked.as_of
    ):
        days[row.machine_id] += row.strokes > 0
    return [Silent(machine, days[machine]) for machine in silent if days[machine]]
