"""Reads of the suspect window: every pallet with its suspect cans and the chance of none."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import median

import numpy as np
from sqlalchemy import case, func, or_, select
from sqlalchemy.orm import Session

from tracelog.errors import TracelogError
from tracelog.instants import show_instant
from tracelog.language import _
from tracelog.plant.models import Pallet
from tracelog.plant.queries import PlantView, directory, the_plant
from tracelog.plant.stays import PalletStay
from tracelog.trace.holds.queries import as_held, held_pallets
from tracelog.trace.suspects.making import Made, made_on_lines
from tracelog.trace.suspects.rules import (
    LONGEST_WINDOW,
    USUAL_CANS,
    USUAL_SLACK,
    Tally,
    held_at,
    tally,
)
from tracelog.trace.suspects.spreading import Edges, spread_over, still_under_way
from tracelog.trace.transit import FloatArray, Way
from tracelog.trace.transit_queries import ways as ways_of_lines

MOST_PALLETS = 5000
# After the longest way: a line that stands over a weekend or longer keeps its cans.
_STANDING_AT_MOST = timedelta(days=7)
# Less than this is no chance of a can: it is what is left of rounding.
_NO_CHANCE = 1e-6
_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True)
class SuspectQuestion:
    """Whose cans are suspect, and when they were made.

    Attributes:
        machine_id: the machine.
        made_from, made_to: UTC, the window of making; the person's word or what
            `evidence.window_of` proposes.
        also: further machines that may have made the cans; all of theirs are suspect too.
        slack_from, slack_to: by how much each end may be off, either way.
        fraction: share of the suspect cans that is defective, if somebody gives one.
    """

    machine_id: uuid.UUID
    made_from: datetime
    made_to: datetime
    also: tuple[uuid.UUID, ...] = ()
    slack_from: timedelta = USUAL_SLACK
    slack_to: timedelta = USUAL_SLACK
    fraction: float | None = None

    @property
    def machine_ids(self) -> tuple[uuid.UUID, ...]:
        """All machines in question, each once."""
        return tuple(dict.fromkeys((self.machine_id, *self.also)))


@dataclass(frozen=True)
class SuspectPallet:
    """A pallet, the number of suspect cans expected on it, and the chance that it holds none.

    `chance_of_no_defective` differs from `chance_of_none` where a share of defective cans was
    given. `is_open`: it is still being filled.
    """

    pallet: PalletStay
    expected: float
    chance_of_none: float
    chance_of_no_defective: float
    cans: int
    is_open: bool = False


@dataclass(frozen=True)
class SuspectWindow:
    """What a suspect window reaches.

    Attributes:
        question: as it was asked, its end not after `as_of`.
        pallets: every pallet that may hold a suspect can, by time.
        strokes: of the machines in the window: the suspect cans made.
        on_conveyors: those of them expected not to have reached the palletiser by `as_of`.
        naive: what the plain rule would hold: all of the lines since the start of the window.
        ways: of each line in question.
        unread_minutes: of the window, in which strokes are not on record and were filled in.
        is_cut: there are more pallets than are shown; nothing may be concluded of the others.
        as_of: UTC.
    """

    question: SuspectQuestion
    pallets: tuple[SuspectPallet, ...]
    strokes: int
    on_conveyors: float
    naive: Tally
    ways: Mapping[uuid.UUID, Way]
    unread_minutes: float
    is_cut: bool
    as_of: datetime

    def held_at(self, risk: float) -> tuple[SuspectPallet, ...]:
        """Pallets whose chance of holding a suspect can is above the accepted risk (0 to 1)."""
        return tuple(held_at(self.pallets, risk))

    def tally_at(self, risk: float) -> Tally:
        """What is held at an accepted risk, and what is missed."""
        return tally(self.pallets, risk)

    @property
    def expected(self) -> float:
        """Suspect cans expected on all pallets."""
        return sum(one.expected for one in self.pallets)


def suspect_pallets(session: Session, question: SuspectQuestion, as_of: datetime) -> SuspectWindow:
    """Every pallet that cans of a window may lie on.

    Args:
        session: an open session.
        question: machines and window.
        as_of: UTC; only what was known by then.

    Returns:
        The pallets with what is expected on each, from a fixed number of statements.

    Raises:
        TracelogError: the window does not begin before it ends, or is too long; at ``made_from``.
    """
    plant, machines = the_plant(session), directory(session)
    asked = _sound(question, plant, as_of)
    lines = sorted({machines.by_id[one].line_id for one in asked.machine_ids}, key=str)
    ways = ways_of_lines(session, plant, lines, as_of)
    longest = timedelta(minutes=max(float(way.edges[-1]) for way in ways.values()))
    first = asked.made_from - asked.slack_from
    rows = _pallets(
        session, lines, first, asked.made_to + asked.slack_to + longest + _STANDING_AT_MOST, as_of
    )
    made = made_on_lines(
        session,
        machines,
        lines,
        asked.machine_ids,
        (first - longest - timedelta(hours=1), as_of),
        as_of,
    )
    found, under_way = [], 0.0
    for line_id in lines:
        own = [one for one in rows[:MOST_PALLETS] if one.line_id == line_id]
        found += _on_line(asked, own, made[line_id], ways[line_id], as_of)
        window = _edges(asked, made[line_id])
        now = made[line_id].minutes_at(as_of)
        under_way += still_under_way(made[line_id].making, window, ways[line_id], now)
    found.sort(key=lambda one: (one.pallet.started_at, one.pallet.pallet))
    return SuspectWindow(
        question=asked,
        pallets=tuple(found),
        strokes=round(sum(made[one].strokes_in(asked.made_from, asked.made_to) for one in lines)),
        on_conveyors=under_way,
        naive=_naive(session, lines, asked.made_from, as_of),
        ways=ways,
        unread_minutes=sum(made[one].unread_in(asked.made_from, asked.made_to) for one in lines),
        is_cut=len(rows) > MOST_PALLETS,
        as_of=as_of,
    )


def _sound(question: SuspectQuestion, plant: PlantView, as_of: datetime) -> SuspectQuestion:
    asked = question
    if asked.made_to >= as_of:
        asked = replace(asked, made_to=as_of, slack_to=timedelta(0))
    if asked.made_from >= asked.made_to:
        raise TracelogError(
            _(
                "is not before the end of the window, %(end)s; write an earlier one",
                end=show_instant(asked.made_to, plant.zone),
            ),
            "made_from",
        )
    if asked.made_to - asked.made_from > LONGEST_WINDOW:
        raise TracelogError(
            _(
                "lies more than %(days)d days before the end of the window; take it in parts",
                days=LONGEST_WINDOW.days,
            ),
            "made_from",
        )
    return asked


def _pallets(
    session: Session,
    lines: Sequence[uuid.UUID],
    start: datetime,
    end: datetime,
    as_of: datetime,
) -> list[PalletStay]:
    """Pallets being filled at some instant of [start, end], by time; one more than are shown."""
    asked = (
        select(
            *(Pallet.pallet, Pallet.line_id, Pallet.started_at, Pallet.ended_at),
            *(Pallet.cans, Pallet.status),
        )
        .where(
            Pallet.line_id.in_(lines),
            Pallet.started_at <= min(end, as_of),
            or_(Pallet.ended_at.is_(None), Pallet.ended_at >= start),
        )
        .order_by(Pallet.started_at, Pallet.pallet)
        .limit(MOST_PALLETS + 1)
    )
    found = []
    for row in session.execute(asked):
        is_later = row.ended_at is not None and row.ended_at > as_of
        found.append(
            PalletStay(
                row.pallet,
                row.line_id,
                row.started_at,
                None if is_later else row.ended_at,
                None if is_later else row.cans,
                row.status,
            )
        )
    return as_held(found, held_pallets(session, as_of))


def _on_line(
    asked: SuspectQuestion, pallets: Sequence[PalletStay], made: Made, way: Way, as_of: datetime
) -> list[SuspectPallet]:
    if not pallets:
        return []
    starts, ends, cans = _fillings(pallets, made, as_of)
    found = spread_over(made.making, _edges(asked, made), (starts, ends, cans), way, asked.fraction)
    return [
        SuspectPallet(
            pallet,
            float(found.expected[place]),
            float(found.none[place]),
            float(found.no_defective[place]),
            round(float(cans[place])),
            pallet.ended_at is None,
        )
        for place, pallet in enumerate(pallets)
        if 1.0 - found.none[place] > _NO_CHANCE
    ]


def _edges(asked: SuspectQuestion, made: Made) -> Edges:
    return Edges(
        made.minutes_at(asked.made_from),
        made.minutes_at(asked.made_to),
        asked.slack_from / _MINUTE,
        asked.slack_to / _MINUTE,
    )


def _fillings(
    pallets: Sequence[PalletStay], made: Made, as_of: datetime
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Start, end and cans of pallets; what is not on record as the usual one of the others.

    A pallet that was never reported full may have been filled for four times as long as others,
    so that it is held rather than not.
    """
    known = [one.cans for one in pallets if one.cans]
    usual = median(known) if known else USUAL_CANS
    times = [(one.ended_at - one.started_at) / _MINUTE for one in pallets if one.ended_at]
    most = max(4 * _MINUTE * median(times or [0.0]), timedelta(hours=1))
    starts = np.array([made.minutes_at(one.started_at) for one in pallets])
    ends = np.array(
        [made.minutes_at(one.ended_at or min(as_of, one.started_at + most)) for one in pallets]
    )
    cans = np.array([float(usual if one.cans is None else one.cans) for one in pallets])
    # Reported full at the instant at which it was begun: it took some time all the same.
    return starts, np.maximum(ends, starts + 0.5), cans


def _naive(session: Session, lines: Sequence[uuid.UUID], start: datetime, as_of: datetime) -> Tally:
    """Everything of the lines since the start of the window. One statement."""
    usual = func.coalesce(Pallet.cans, USUAL_CANS)
    pallets, cans = session.execute(
        select(func.count(), func.coalesce(func.sum(case((usual > 0, usual), else_=0)), 0)).where(
            Pallet.line_id.in_(lines),
            Pallet.started_at <= as_of,
            or_(Pallet.ended_at.is_(None), Pallet.ended_at >= start),
        )
    ).one()
    return Tally(risk=0.0, pallets=int(pallets), cans=int(cans), suspect=0.0, missed=0.0)
