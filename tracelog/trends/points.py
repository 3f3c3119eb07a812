"""Reads for control charts: what each point is drawn from, in order of time."""

import uuid
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket, Period, periods
from tracelog.defects.queries import EntryKind, entries, production_counts, sample_counts
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.plant.queries import Directory, PlantView
from tracelog.strokes.queries import strokes_by_bucket
from tracelog.trends.queries import entry_filter, machines_in_scope, one_kind_only
from tracelog.trends.questions import MOST_POINTS, ChartQuestion
from tracelog.trends.rules import Evidence


@dataclass(frozen=True)
class PointEvidence:
    """What one point of a chart is drawn from; `entry` where it is drawn from one entry."""

    start: datetime
    end: datetime
    count: int
    exposure: int
    entry: uuid.UUID | None = None


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
    samples = replace(entry_filter(asked), kind=EntryKind.SAMPLE)
    rows = entries(session, samples, limit=MOST_POINTS + 1).rows
    if len(rows) > MOST_POINTS:
        raise TracelogError(
            _("more than %(most)d samples; choose a bucket or a shorter period", most=MOST_POINTS),
            "bucket",
        )
    return [
        PointEvidence(row.occurred_at, row.occurred_at, row.cans, row.inspected or 0, row.id)
        for row in reversed(rows)
    ]


def _samples_by_bucket(
    session: Session, asked: ChartQuestion, bucket: Bucket, edges: Sequence[Period]
) -> list[PointEvidence]:
    rows = sample_counts(session, entry_filter(asked), by=("bucket",), bucket=bucket)
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
        for row in production_counts(session, entry_filter(asked), by=("bucket",), bucket=bucket)
    }
    strokes: dict[datetime, int] = defaultdict(int)
    for row in strokes_by_bucket(
        session,
        machines_in_scope(places, asked),
        asked.start,
        asked.end,
        bucket,
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
