"""Machines that ran and of which nothing at all was logged."""

import uuid
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket
from tracelog.defects.queries import EntryFilter, sample_counts
from tracelog.plant.queries import PlantView
from tracelog.strokes.queries import strokes_by_bucket
from tracelog.trends.questions import RateQuestion


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
