"""Reads of what is open about counters: jumps that nobody has explained, and silences."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from tracelog.plant.calendar import PeriodKind, planned_periods
from tracelog.plant.calendar_rules import concerning, hours_within, merged
from tracelog.plant.models import Machine
from tracelog.plant.queries import BODYMAKER, MachineView, directory
from tracelog.strokes.bounds import EARLIEST
from tracelog.strokes.facts import Verdict
from tracelog.strokes.models import Reading
from tracelog.strokes.queries import OpenQuestion, open_questions, recent_rate
from tracelog.strokes.question_rules import (
    DISTANCES,
    Figures,
    QuestionKind,
    kind_of,
    longest_silence,
    shown_strokes,
    usual_distance,
)
from tracelog.strokes.retired import carried_counters, retired_until
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.settlements import (
    Settlement,
    Stretch,
    latest_settlements,
    standing_settlements,
    stretches_to,
)
from tracelog.strokes.standing import is_counted
from tracelog.strokes.timelines import accepted_at

_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Silence:
    """A counter that was not read for much longer than is usual with it.

    `last_at` and `strokes` None: it was never read. `usual` is how far apart its readings were,
    None where they were too few to tell.
    """

    machine: MachineView
    last_at: datetime | None
    strokes: int | None
    usual: timedelta | None


@dataclass(frozen=True)
class JumpQuestion:
    """A jump that nobody has explained, and what would be likely.

    `estimate` is what its machine made in such a time before, `shown` what the counter shows;
    None where nothing can be said. `last_settlement` is what was decided on it last, which does
    not stand any more.
    """

    machine: MachineView
    figures: Figures
    kind: QuestionKind
    per_day: float | None
    shown: int | None
    last_settlement: Settlement | None

    @property
    def estimate(self) -> int | None:
        """Strokes at the machine's pace before."""
        if self.per_day is None:
            return None
        return round(self.per_day * ((self.figures.to_at - self.figures.from_at) / _DAY))


def limits_of(machine: MachineView) -> CounterLimits:
    """What is known of a machine's counter."""
    return CounterLimits(machine.counter_max, machine.rated_spm)


def jump_questions(session: Session, as_of: datetime) -> list[JumpQuestion]:
    """Jumps that nobody has explained, in order of time; a fixed number of statements."""
    return described_jumps(session, open_questions(session, as_of=as_of), as_of)


def described_jumps(
    session: Session, asked: Sequence[OpenQuestion], as_of: datetime
) -> list[JumpQuestion]:
    """What can be said of jumps beside their figures; a fixed number of statements."""
    if not asked:
        return []
    machines = directory(session).by_id
    rates = recent_rate(session, [(one.machine_id, one.from_at) for one in asked], as_of=as_of)
    keys = [(one.machine_id, one.to_at) for one in asked]
    settled = latest_settlements(session, keys, as_of)
    found = []
    for one, per_day in zip(asked, rates, strict=True):
        machine = machines[one.machine_id]
        figures = Figures(one.from_at, one.to_at, one.from_strokes, one.to_strokes)
        limits = limits_of(machine)
        found.append(
            JumpQuestion(
                machine,
                figures,
                kind_of(figures, limits),
                per_day,
                shown_strokes(figures, limits),
                settled.get((one.machine_id, one.to_at)),
            )
        )
    return found


def silences(
    session: Session, as_of: datetime, machine_id: uuid.UUID | None = None
) -> dict[uuid.UUID, Silence]:
    """Bodymakers whose counters say nothing for longer than they usually do, or never did.

    The time in which a machine was to stand by plan does not count.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        machine_id: only this machine; None: all bodymakers.

    Returns:
        By machine, in order of line and number. Three statements.
    """
    machines = [one for one in directory(session).bodymakers if machine_id in (None, one.id)]
    if as_of < retired_until(session):
        # How often a counter was read is not known any more where its readings were retired.
        gone = {one for one, kept in carried_counters(session).items() if as_of < kept.last_at}
        machines = [one for one in machines if one.id not in gone]
    read: dict[uuid.UUID, list[tuple[datetime, int]]] = {one.id: [] for one in machines}
    for machine_read, read_at, shown in session.execute(_last_readings(as_of, machine_id)):
        if machine_read in read:
            read[machine_read].append((read_at, shown))
    last = {machine: max(found) for machine, found in read.items() if found}
    since = min((at for at, _figure in last.values()), default=as_of)
    stops = planned_periods(session, since, as_of, as_of=as_of, kind=PeriodKind.STOP)
    found = {}
    for machine in machines:
        usual = usual_distance([at for at, _strokes in read[machine.id]])
        last_at, strokes = last.get(machine.id, (None, None))
        if last_at is not None:
            planned = merged(concerning(stops, machine.line_id, machine.id))
            waited = as_of - last_at - timedelta(hours=hours_within(planned, last_at, as_of))
            if waited <= longest_silence(usual):
                continue
        found[machine.id] = Silence(machine, last_at, strokes, usual)
    return found


def _last_readings(as_of: datetime, machine_id: uuid.UUID | None) -> Any:
    """The last readings of each bodymaker, or of one, that tell how often it is read."""
    earlier = aliased(Reading)
    first = (
        select(earlier.read_at)
        .where(
            earlier.machine_id == Machine.id,
            earlier.read_at <= as_of,
            is_counted(Machine.id, as_of, earlier),
        )
        .order_by(earlier.read_at.desc())
        .offset(DISTANCES)
        .limit(1)
        .correlate(Machine)
        .scalar_subquery()
    )
    found = (
        select(Machine.id, Reading.read_at, Reading.strokes)
        .join(Reading, Reading.machine_id == Machine.id)
        .where(
            Machine.station == BODYMAKER,
            Reading.read_at >= func.coalesce(first, EARLIEST),
            Reading.read_at <= as_of,
            is_counted(Machine.id, as_of),
        )
    )
    return found if machine_id is None else found.where(Machine.id == machine_id)


@dataclass(frozen=True)
class Settled:
    """What was decided on a reading and not taken back.

    `is_in_force`: the decision counts; otherwise the stretch that it was about is another by
    now. `figure` is the counter's at that reading, None if it has not come yet.
    """

    machine: MachineView
    settlement: Settlement
    is_in_force: bool
    figure: int | None


def settled_jumps(
    session: Session, as_of: datetime, most: int, machine_id: uuid.UUID | None = None
) -> list[Settled]:
    """What was decided, the latest decisions first; a fixed number of statements.

    Args:
        session: an open session.
        as_of: UTC; only what was settled by then.
        most: how many at most.
        machine_id: of one machine; None: of all.
    """
    found = standing_settlements(session, most, machine_id, as_of)
    keys = [(one.machine_id, one.to_at) for one in found]
    stretches = stretches_to(session, keys, as_of)
    asked: dict[uuid.UUID, set[datetime]] = {}
    for machine, moment in keys:
        asked.setdefault(machine, set()).add(moment)
    columns = (Reading.machine_id, Reading.read_at, (Reading.strokes,))
    figures = accepted_at(session, columns, asked)
    machines = directory(session).by_id
    return [
        Settled(
            machines[one.machine_id],
            one,
            key in figures and stands_for(one, stretches.get(key)),
            figures[key][0] if key in figures else None,
        )
        for one, key in zip(found, keys, strict=True)
    ]


def stands_for(settlement: Settlement, stretch: Stretch | None) -> bool:
    """Whether what was decided counts, given the stretch that ends at its reading now."""
    if settlement.verdict is Verdict.MADE:
        return stretch is not None and stretch.figures.from_at == settlement.from_at
    return settlement.verdict is Verdict.MISREAD
