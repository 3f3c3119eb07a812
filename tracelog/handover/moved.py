"""What moved in a shift: signals, cases, holds, and the services that fall due next."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from uuid import UUID

from sqlalchemy.orm import Session

from tracelog.cases.queries import CaseView, cases
from tracelog.plant.queries import Directory
from tracelog.service.queries import ServiceStanding, service_standings
from tracelog.trace.holds.facts import DECISIONS, WINDOW_STEPS, StepKind
from tracelog.trace.holds.queries import HoldFilter, HoldView, holds
from tracelog.trends.signals.queries import SignalView, kept_signals
from tracelog.trends.signals.wording import says

# What falls due by use within so many hours is told to the next shift.
DUE_WITHIN_HOURS = 24.0


class Happened(StrEnum):
    """What became of a signal, a case or a hold."""

    RAISED = "raised"
    DECIDED = "decided"
    ENDED = "ended"
    OPENED = "opened"
    MOVED = "moved"
    CAME_BACK = "came back"
    WIDENED = "extended"
    RELEASED = "released"
    CLOSED = "closed"


@dataclass(frozen=True)
class SignalMoved:
    """A signal that was raised, decided about or ended in a period, in words."""

    signal: SignalView
    happened: tuple[Happened, ...]
    says: str


@dataclass(frozen=True)
class CaseMoved:
    """A case that was opened, worked on, ended or came back in a period, and how often."""

    case: CaseView
    happened: tuple[Happened, ...]
    steps: tuple[str, ...]


@dataclass(frozen=True)
class HoldMoved:
    """A hold of a period, or one that is open: what was done, and what is still held."""

    hold: HoldView
    happened: tuple[Happened, ...]

    @property
    def held(self) -> int:
        """Pallets that nobody has decided about."""
        return len(self.hold.held)


@dataclass(frozen=True)
class ServiceDue:
    """A service that is overdue, or falls due within a day at the machine's own use.

    `strokes_left` and `hours_left` are None where it falls due by days.
    """

    standing: ServiceStanding
    strokes_left: int | None
    hours_left: float | None

    @property
    def is_overdue(self) -> bool:
        """Whether it should have been done by now."""
        return self.standing.is_overdue


@dataclass(frozen=True)
class Moved:
    """What moved in [start, until); open holds stand in `holds` whether they moved or not."""

    signals: tuple[SignalMoved, ...]
    signals_on: int
    cases: tuple[CaseMoved, ...]
    cases_open: int
    holds: tuple[HoldMoved, ...]
    due: tuple[ServiceDue, ...]


def moved(
    session: Session,
    places: Directory,
    start: datetime,
    until: datetime,
    per_hour: Mapping[UUID, float],
) -> Moved:
    """Signals, cases, holds and services of a period. A fixed number of statements.

    Args:
        session: an open session.
        places: as read.
        start, until: UTC; the end is not included.
        per_hour: usual strokes an hour of each machine, for what falls due next.
    """
    all_signals = kept_signals(session, places)
    all_cases = cases(session)
    recent = holds(session, HoldFilter(), until)
    still_open = holds(session, HoldFilter(is_open=True), until)
    known = {one.id: one for one in (*still_open, *recent)}
    return Moved(
        tuple(signals_moved(all_signals, start, until)),
        sum(one.is_open and one.raised_at < until for one in all_signals),
        tuple(cases_moved(all_cases, start, until)),
        sum(one.is_open and one.opened_at < until for one in all_cases),
        tuple(holds_moved(list(known.values()), start, until)),
        tuple(services_due(service_standings(session, until, ahead=False), per_hour)),
    )


def signals_moved(found: list[SignalView], start: datetime, until: datetime) -> list[SignalMoved]:
    """Signals that were raised, decided about or ended in [start, until), the latest first."""
    told = []
    for one in found:
        moments = (
            (Happened.RAISED, one.raised_at),
            (Happened.DECIDED, one.decision.decided_at if one.decision else None),
            (Happened.ENDED, one.ended_at),
        )
        happened = _within(moments, start, until)
        if happened:
            told.append(SignalMoved(one, happened, says(one)))
    return told


def cases_moved(found: list[CaseView], start: datetime, until: datetime) -> list[CaseMoved]:
    """Cases of which something was opened, done or ended in [start, until)."""
    told = []
    for one in found:
        steps = tuple(step for step in one.steps if start <= step.at < until)
        ended = one.last_end
        moments = (
            (Happened.OPENED, one.opened_at),
            (Happened.CAME_BACK, one.came_back_at),
            (Happened.ENDED, ended.at if ended else None),
        )
        happened = _within(moments, start, until)
        if any(step is not ended for step in steps):
            happened = (*happened, Happened.MOVED)
        if happened:
            told.append(CaseMoved(one, happened, tuple(step.kind for step in steps)))
    return told


def holds_moved(found: list[HoldView], start: datetime, until: datetime) -> list[HoldMoved]:
    """Holds of which something was done in [start, until), and all that are open; by number."""
    told = []
    for one in found:
        kinds = {step.step for step in one.steps if start <= step.written_at < until}
        happened = _within(((Happened.RAISED, one.raised_at),), start, until)
        if kinds & WINDOW_STEPS:
            happened = (*happened, Happened.WIDENED)
        if kinds & DECISIONS:
            happened = (*happened, Happened.RELEASED)
        if StepKind.CLOSED in kinds:
            happened = (*happened, Happened.CLOSED)
        if happened or one.is_open:
            told.append(HoldMoved(one, happened))
    return sorted(told, key=lambda one: one.hold.number)


def services_due(
    standings: list[ServiceStanding], per_hour: Mapping[UUID, float]
) -> list[ServiceDue]:
    """Services that are overdue or fall due within a day, the most pressing first.

    Args:
        standings: of all machines.
        per_hour: usual strokes an hour of each machine.
    """
    told = []
    for one in standings:
        left, hours = None, None
        if one.level.interval_strokes:
            left = one.level.interval_strokes - one.strokes_since
            rate = per_hour.get(one.machine.id, 0.0)
            hours = max(left, 0) / rate if rate > 0 else None
        days = (one.due.due - one.today).days if one.due.due is not None else None
        is_soon = (hours is not None and hours <= DUE_WITHIN_HOURS) or (
            days is not None and days < 1
        )
        if one.is_overdue or is_soon:
            told.append(ServiceDue(one, left, hours))
    return sorted(told, key=lambda one: (not one.is_overdue, -(one.standing.share or 0.0)))


def _within(
    moments: tuple[tuple[Happened, datetime | None], ...], start: datetime, until: datetime
) -> tuple[Happened, ...]:
    return tuple(what for what, at in moments if at is not None and start <= at < until)
