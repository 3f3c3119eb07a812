"""Signals worked out from the evidence: all of them, or those of some machines only."""

import uuid
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.plant.queries import Directory, PlantView, directory, the_plant
from tracelog.trends.models import SignalBaseline, SignalEpoch
from tracelog.trends.signals.baselines import Learned
from tracelog.trends.signals.evidence import Evidence
from tracelog.trends.signals.news import ANEW, news_since
from tracelog.trends.signals.queries import (
    SignalView,
    as_views,
    budgets,
    evidence_at,
    instant,
    last_record,
    worked_out_until,
)
from tracelog.trends.signals.replay import Epoch, Replayed, epoch_starts, replay
from tracelog.trends.signals.rules import ANY_DEFECT, Kind


@dataclass(frozen=True)
class Work:
    """What was worked out, to be kept.

    Attributes:
        sequence: the last audit record that was seen.
        before: up to which record signals had been worked out; None: never.
        at: the instant.
        machine_ids: whose signals these are; None: all, and the epochs with them.
        signals: in order.
        is_anew: whether the epochs are kept with them.
        epochs: with what they hold.
        machines, defects: what the epochs' tables are of.
    """

    sequence: int
    before: int | None
    at: datetime
    machine_ids: frozenset[uuid.UUID] | None
    signals: tuple[SignalView, ...]
    is_anew: bool = False
    epochs: tuple[Epoch, ...] = ()
    machines: tuple[uuid.UUID, ...] = ()
    defects: tuple[str, ...] = ()


def work_out(session: Session, now: datetime) -> Work | None:
    """Work out what the facts that came in lately change; None: nothing came in.

    Args:
        session: an open session that sees one moment of the database.
        now: UTC.
    """
    until, sequence = worked_out_until(session), last_record(session)
    epochs_at = _kept_starts(session)
    if until is None or not epochs_at:
        news, same_day = ANEW, False
    else:
        news, same_day = news_since(session, until[0], epochs_at[-1]), now.date() == until[1].date()
        if news.is_nothing and same_day:
            return None
    plant, places = the_plant(session), directory(session)
    before = None if until is None else until[0]
    if not news.anew:
        # The day's end tells of every machine.
        ids = news.machine_ids if same_day else None
        some = _some(session, plant, places, now, ids)
        if some is not None:
            return Work(sequence, before, now, ids, some)
    return _anew(session, plant, places, now, (before, sequence))


def work_out_anew(session: Session, now: datetime) -> Work:
    """Work out everything as if nothing were kept, to be kept in place of what is.

    Args:
        session: an open session that sees one moment of the database.
        now: UTC.
    """
    until, sequence = worked_out_until(session), last_record(session)
    before = None if until is None else until[0]
    return _anew(session, the_plant(session), directory(session), now, (before, sequence))


def _anew(
    session: Session,
    plant: PlantView,
    places: Directory,
    now: datetime,
    records: tuple[int | None, int],
) -> Work:
    evidence = evidence_at(session, plant, places, now, None)
    found = Replayed() if evidence is None else replay(evidence, budgets(session))
    defects = () if evidence is None else evidence.defects
    views = as_views(found, places, defects, now, {})
    before, sequence = records
    return Work(
        *(sequence, before, now, None, views.signals),
        is_anew=True,
        epochs=tuple(found.epochs),
        machines=tuple(machine.id for machine in places.bodymakers),
        defects=defects,
    )


def _some(
    session: Session,
    plant: PlantView,
    places: Directory,
    now: datetime,
    machine_ids: Collection[uuid.UUID] | None,
) -> tuple[SignalView, ...] | None:
    """Signals of some machines by the epochs that are kept; None: another epoch has begun."""
    evidence = evidence_at(session, plant, places, now, None, machine_ids)
    if evidence is None:
        return None
    epochs = kept_epochs(session, places, evidence)
    if [instant(one) for one in epoch_starts(evidence)] != [
        instant(one.starts_at) for one in epochs
    ]:
        return None
    return as_views(replay(evidence, (), epochs), places, evidence.defects, now, {}).signals


def _kept_starts(session: Session) -> list[datetime]:
    rows = session.execute(select(SignalEpoch.starts_at).distinct().order_by(SignalEpoch.starts_at))
    return [row.starts_at for row in rows]


def kept_epochs(session: Session, places: Directory, evidence: Evidence) -> list[Epoch]:
    """The epochs as kept, for the machines and kinds of defect of an evidence. Two statements."""
    machines = {machine.id: place for place, machine in enumerate(places.bodymakers)}
    defects = {defect: place for place, defect in enumerate(evidence.defects)}
    own: Mapping[datetime, list[SignalBaseline]] = defaultdict(list)
    wanted = select(SignalBaseline)
    asked = [one for one in machines if evidence.strokes[machines[one]] is not None]
    for row in session.execute(wanted.where(SignalBaseline.machine_id.in_(asked))).scalars():
        own[row.starts_at].append(row)
    judged: dict[datetime, dict[Kind, float]] = defaultdict(dict)
    budget: dict[datetime, float] = {}
    for one in session.execute(select(SignalEpoch).order_by(SignalEpoch.starts_at)).scalars():
        judged[one.starts_at][Kind(one.kind)] = one.threshold
        budget[one.starts_at] = one.false_signals_a_week
    found = []
    for starts_at, limits in judged.items():
        learned = _learned(own[starts_at], machines, defects)
        found.append(Epoch(starts_at.timestamp(), learned, limits, budget[starts_at]))
    return found


def _learned(
    rows: list[SignalBaseline], machines: dict[uuid.UUID, int], defects: dict[str, int]
) -> Learned:
    size = (len(machines), len(defects))
    shape, strokes, over = np.zeros(size), np.ones(size), np.ones(len(defects))
    any_shape, any_strokes, any_over = np.zeros(size[0]), np.ones(size[0]), 1.0
    for row in rows:
        machine = machines[row.machine_id]
        if row.defect == ANY_DEFECT:
            any_shape[machine], any_strokes[machine] = row.shape, row.strokes
            any_over = row.dispersion
        elif row.defect in defects:
            defect = defects[row.defect]
            shape[machine, defect], strokes[machine, defect] = row.shape, row.strokes
            over[defect] = row.dispersion
    seen = np.zeros(len(defects), dtype=np.bool_)
    return Learned(shape, strokes, over, any_shape, any_strokes, any_over, seen)
