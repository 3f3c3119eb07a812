"""Reads for rates and charts: what was reported, and the strokes or samples it came from.

All of it through the reads of the log and of the counters; the number of statements is fixed.
"""

import uuid
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket, Period, periods
from tracelog.defects.queries import By as ToldApart
from tracelog.defects.queries import (
    EntryFilter,
    EntryKind,
    entries,
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


@dataclass(frozen=True)
class PointEvidence:
    """What one point of a chart is drawn from."""

    start: datetime
    end: datetime
    count: int
    exposure: int


def known_words(session: Session, plant: PlantView, places: Directory, now: datetime) -> Known:
    """What choices are read against. Three statements beside those of plant and directory.

    Args:
        session: an open session.
        plant, places: as read.
        now: what counts as latest where there are no data.
    """
    latest = [one.read_at for one in last_reading(session).values()]
    logged = first_and_last(session)
    if logged is not None:
        latest.append(logged[1])
    return Known(
        zone=plant.zone,
        places=places,
        defects=tuple(one.defect for one in vocabulary(session)),
        latest_at=max(latest, default=None),
        now=now,
    )


def rate_evidence(
    session: Session, plant: PlantView, places: Directory, asked: RateQuestion
) -> RateEvidence:
    """What the rates of a question are made of.

    Raises:
        TracelogError: samples of several kinds of defect at once, told at ``defect``; too many
            rows, or shifts of a plant without any, told at ``bucket``.
    """
    if asked.evidence is Evidence.SAMPLES:
        return _sample_evidence(session, asked)
    _check_number(plant, places, asked)
    found, unsettled = _production(session, asked)
    strokes = _strokes(session, plant, places, asked)
    lines = {machine.id: machine.line for machine in places.bodymakers}
    return RateEvidence(found, _exposures(found, strokes, asked, lines), unsettled)


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


def _filter(asked: RateQuestion | ChartQuestion) -> EntryFilter:
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


def _production(session: Session, asked: RateQuestion) -> tuple[dict[RateKey, Found], Found]:
    found: dict[RateKey, Found] = {}
    unsettled = Found()
    rows = production_counts(
        session, _filter(asked), by=_told_apart(asked), bucket=asked.bucket or Bucket.DAY
    )
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


def _strokes(
    session: Session, plant: PlantView, places: Directory, asked: RateQuestion
) -> dict[tuple[datetime | None, uuid.UUID], int]:
    """Strokes by bucket (None without buckets) and machine, of the machines in scope."""
    scope = machines_in_scope(places, asked)
    if asked.bucket is None:
        counted = strokes_by_machine(session, asked.start, asked.end, asked.as_of)
        return {(None, machine): n for machine, n in counted.items() if machine in scope}
    rows = strokes_by_bucket(
        session,
        scope,
        asked.start,
        asked.end,
        asked.bucket.value,
        rota=plant.rota,
        as_of=asked.as_of,
    )
    return {(row.bucket_start, row.machine_id): row.strokes for row in rows}


def _exposures(
    found: Collection[RateKey],
    strokes: dict[tuple[datetime | None, uuid.UUID], int],
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
        session, _filter(asked), by=_told_apart(asked), bucket=asked.bucket or Bucket.DAY
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
    session: Session, plant: PlantView, asked: RateQuestion, without: Collection[uuid.UUID]
) -> list[Silent]:
    """Which of the machines `without` entries of the kinds asked for have none of any kind.

    Samples count too: somebody looked.
    """
    if not without:
        return []
    every = replace(_filter(asked), defects=(), machine_ids=tuple(without), line=None)
    heard = {row.machine_id for row in production_counts(session, every, by=("machine",))}
    heard |= {row.machine_id for row in sample_counts(session, every, by=("machine",))}
    quiet = [machine for machine in without if machine not in heard]
    days: dict[uuid.UUID, int] = defaultdict(int)
    for row in strokes_by_bucket(
        session, quiet, asked.start, asked.end, "day", rota=plant.rota, as_of=asked.as_of
    ):
        days[row.machine_id] += row.strokes > 0
    return [Silent(machine, days[machine]) for machine in quiet if days[machine]]


def point_evidence(
    session: Session, plant: PlantView, places: Directory, asked: ChartQuestion
) -> list[PointEvidence]:
    """What the points of a chart are drawn from, in order of time.

    Production has a point for every bucket from the first to the last with any evidence; samples
    have one for every sample, or for every bucket that has any.

    Raises:
        TracelogError: too many points, told at ``bucket``; samples of several kinds of defect.
    """
    if asked.evidence is Evidence.SAMPLES and len(asked.defects) != 1:
        raise TracelogError(one_kind_only(), "defect")
    if asked.bucket is None:
        return _one_per_sample(session, asked)
    edges = periods(asked.bucket, asked.start, asked.end, plant.zone, plant.rota)
    if len(edges) > MOST_POINTS:
        raise TracelogError(
            _(
                "gives %(points)d points, more than the %(most)d that are drawn; choose a longer"
                " bucket or a shorter period",
                points=len(edges),
                most=MOST_POINTS,
            ),
            "bucket",
        )
    if asked.evidence is Evidence.SAMPLES:
        return _samples_by_bucket(session, asked, asked.bucket, edges)
    return _production_by_bucket(session, plant, places, asked, asked.bucket, edges)


def _one_per_sample(session: Session, asked: ChartQuestion) -> list[PointEvidence]:
    samples = replace(_filter(asked), kind=EntryKind.SAMPLE)
    rows = entries(session, samples, limit=MOST_POINTS + 1).rows
    if len(rows) > MOST_POINTS:
        raise TracelogError(
            _("more than %(most)d samples; choose a bucket or a shorter period", most=MOST_POINTS),
            "bucket",
        )
    return [
        PointEvidence(row.occurred_at, row.occurred_at, row.cans, row.inspected or 0)
        for row in reversed(rows)
    ]


def _samples_by_bucket(
    session: Session, asked: ChartQuestion, bucket: Bucket, edges: Sequence[Period]
) -> list[PointEvidence]:
    rows = sample_counts(session, _filter(asked), by=("bucket",), bucket=bucket)
    by_start = {row.bucket_start: row for row in rows}
    return [
        _clipped(asked, edge, by_start[edge.start].cans, by_start[edge.start].inspected)
        for edge in edges
        if edge.start in by_start
    ]


def _production_by_bucket(
    session: Session,
    plant: PlantView,
    places: Directory,
    asked: ChartQuestion,
    bucket: Bucket,
    edges: Sequence[Period],
) -> list[PointEvidence]:
    counts = {
        row.bucket_start: row.counted_occurrences
        for row in production_counts(session, _filter(asked), by=("bucket",), bucket=bucket)
    }
    strokes: dict[datetime, int] = defaultdict(int)
    for row in strokes_by_bucket(
        session,
        machines_in_scope(places, asked),
        asked.start,
        asked.end,
        bucket.value,
        rota=plant.rota,
        as_of=asked.as_of,
    ):
        strokes[row.bucket_start] += row.strokes
    seen = [i for i, edge in enumerate(edges) if counts.get(edge.start) or strokes.get(edge.start)]
    if not seen:
        return []
    return [
        _clipped(asked, edge, counts.get(edge.start, 0), strokes.get(edge.start, 0))
        for edge in edges[seen[0] : seen[-1] + 1]
    ]


def _clipped(asked: ChartQuestion, edge: Period, count: int, exposure: int) -> PointEvidence:
    return PointEvidence(max(edge.start, asked.start), min(edge.end, asked.end), count, exposure)
