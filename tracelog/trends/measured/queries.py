"""Reads of measured values and of gauge studies; one statement each."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import and_, bindparam, func, or_, select, union_all
from sqlalchemy.orm import Session

from tracelog.trends.measured.gauge_rules import GaugeValue
from tracelog.trends.models import GaugeReading, Measurement


@dataclass(frozen=True)
class Measured:
    """What was measured so far: a characteristic with its last instant, in all or on a machine."""

    characteristic: str
    machine_id: uuid.UUID
    values: int
    latest_at: datetime


@dataclass(frozen=True)
class MeasuredValue:
    """One measured value; `subgroup` is the same for values taken together."""

    machine_id: uuid.UUID
    measured_at: datetime
    unit: str | None
    value: float
    subgroup: str | None


@dataclass(frozen=True)
class StudyView:
    """One gauge study as the list shows it."""

    study: str
    characteristic: str
    unit: str | None
    readings: int
    parts: int
    appraisers: int
    first_at: datetime
    last_at: datetime


def what_is_measured(session: Session) -> list[Measured]:
    """Each characteristic of each machine, the latest first. One statement."""
    row = Measurement
    latest = func.max(row.measured_at)
    asked = (
        select(row.characteristic, row.machine_id, func.count(), latest)
        .group_by(row.characteristic, row.machine_id)
        .order_by(latest.desc(), row.characteristic, row.machine_id)
    )
    return [Measured(*found) for found in session.execute(asked)]


def measured_values(
    session: Session,
    characteristic: str,
    periods: Sequence[tuple[datetime, datetime]],
    machine_ids: Sequence[uuid.UUID] | None,
    as_of: datetime | None,
    most: int,
) -> list[MeasuredValue]:
    """The values of a characteristic in order of time. One statement.

    Args:
        session: an open session.
        characteristic: as in the file.
        periods: from and to, UTC, the end not included; a value counts in one of them.
        machine_ids: only of these; None: of all.
        as_of: UTC; only what was measured by then. None: all.
        most: at most so many are read.
    """
    row = Measurement
    within = [and_(row.measured_at >= start, row.measured_at < end) for start, end in periods]
    asked = (
        select(row.machine_id, row.measured_at, row.unit, row.value, row.subgroup)
        .where(row.characteristic == characteristic, or_(*within))
        .order_by(row.measured_at, row.machine_id, row.id)
        .limit(most)
    )
    if machine_ids is not None:
        asked = asked.where(row.machine_id.in_(machine_ids))
    if as_of is not None:
        asked = asked.where(row.measured_at <= as_of)
    return [MeasuredValue(*found) for found in session.execute(asked)]


def gauge_studies(session: Session, as_of: datetime | None = None) -> list[StudyView]:
    """All gauge studies, the latest first. One statement.

    Args:
        session: an open session.
        as_of: UTC; only readings taken by then. None: all.
    """
    row = GaugeReading
    last = func.max(row.measured_at)
    asked = (
        select(
            *(row.study, row.characteristic, func.max(row.unit), func.count()),
            *(func.count(row.part.distinct()), func.count(row.appraiser.distinct())),
            *(func.min(row.measured_at), last),
        )
        .group_by(row.study, row.characteristic)
        .order_by(last.desc(), row.study, row.characteristic)
    )
    if as_of is not None:
        asked = asked.where(row.measured_at <= as_of)
    return [StudyView(*found) for found in session.execute(asked)]


def gauge_values(session: Session, study: str, as_of: datetime | None = None) -> list[GaugeValue]:
    """The readings of one study in the order in which they were taken. One statement.

    Args:
        session: an open session.
        study: its name.
        as_of: UTC; only readings taken by then. None: all.
    """
    row = GaugeReading
    asked = (
        select(
            *(row.characteristic, row.unit, row.part, row.appraiser),
            *(row.trial, row.value, row.measured_at),
        )
        .where(row.study == study)
        .order_by(row.measured_at, row.part, row.appraiser, row.trial, row.id)
    )
    if as_of is not None:
        asked = asked.where(row.measured_at <= as_of)
    return [GaugeValue(*found) for found in session.execute(asked)]


@dataclass(frozen=True)
class NearValues:
    """What was measured of one characteristic at one instant: its mean, and of how many values."""

    characteristic: str
    measured_at: datetime
    unit: str | None
    mean: float
    values: int


def measured_around(
    session: Session,
    machine_id: uuid.UUID,
    moment: datetime,
    as_of: datetime,
    most: int = 100,
) -> list[NearValues]:
    """The values of each characteristic nearest before and nearest after an instant.

    One statement.

    Args:
        session: an open session.
        machine_id: of this machine.
        moment: UTC; what was measured at it counts as before.
        as_of: UTC; only what was measured by then.
        most: how many values at most are looked at before, and after.

    Returns:
        In order of characteristic, then time.
    """
    # One bound on each side, or a planner may take the looser one to the index.
    asked: dict[str, Any] = {"machine_id": machine_id, "until": min(moment, as_of)}
    asked |= {"moment": moment, "as_of": as_of}
    nearest: dict[tuple[str, bool], datetime] = {}
    taken: dict[tuple[str, bool], list[tuple[str | None, float]]] = {}
    for characteristic, measured_at, unit, value in session.execute(_around(most), asked):
        key = characteristic, measured_at > moment
        # Each side comes nearest first.
        if nearest.setdefault(key, measured_at) == measured_at:
            taken.setdefault(key, []).append((unit, value))
    found = [
        NearValues(
            *(key[0], nearest[key], values[0][0]),
            *(sum(value for _unit, value in values) / len(values), len(values)),
        )
        for key, values in taken.items()
    ]
    return sorted(found, key=lambda one: (one.characteristic, one.measured_at))


@cache
def _around(most: int) -> Any:
    """The statement, made once: what is asked for is left open."""
    row = Measurement
    columns = (row.characteristic, row.measured_at, row.unit, row.value)
    mine = row.machine_id == bindparam("machine_id")
    before = select(*columns).where(mine, row.measured_at <= bindparam("until"))
    after = select(*columns).where(
        mine, row.measured_at > bindparam("moment"), row.measured_at <= bindparam("as_of")
    )
    sides = (
        before.order_by(row.measured_at.desc(), row.id).limit(most),
        after.order_by(row.measured_at, row.id).limit(most),
    )
    return union_all(*(select(side.subquery()) for side in sides))
