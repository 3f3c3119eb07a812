"""Reads of the wall: screens, whether anything changed, and what a line or the plant shows."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracelog.defects.counts import production_counts
from tracelog.defects.queries import EntryFilter, vocabulary
from tracelog.errors import NotFound
from tracelog.floor.queries import FloorLine, FloorMachine, floor
from tracelog.handover.moved import ServiceDue, services_due
from tracelog.handover.queries import Note, notes
from tracelog.language import _
from tracelog.plant.queries import Directory, PlantView, directory
from tracelog.plant.rules import ShiftNow
from tracelog.service.queries import service_standings
from tracelog.strokes.questions import Silence, silences
from tracelog.trace.holds.queries import HoldFilter, HoldView, holds
from tracelog.trends.signals.queries import SignalView, last_record, worked_out_until
from tracelog.wall.models import Screen
from tracelog.wall.rules import MOST_ON_TOP, Cut, cut, mark_of

_HOURS_OF_USE = 24


@dataclass(frozen=True)
class ScreenView:
    """One screen, without its secret; `line_id` None: it shows the plant."""

    id: uuid.UUID
    name: str
    line_id: uuid.UUID | None
    made_at: datetime
    made_by: str
    expires_at: datetime | None
    last_seen_at: datetime | None
    revoked_at: datetime | None

    def is_good_at(self, moment: datetime) -> bool:
        """Whether it shows anything then."""
        return self.revoked_at is None and (self.expires_at is None or moment < self.expires_at)


@dataclass(frozen=True)
class Logged:
    """One kind of defect in the shift: what people call it, and cans that were logged bad."""

    title: str
    cans: int


@dataclass(frozen=True)
class OnSignal:
    """A signal that is on: `title` of its defect, `times` the usual rate, None of a silent log."""

    signal: SignalView
    title: str
    times: float | None


@dataclass(frozen=True)
class WallLine:
    """One line, as its row of can bottoms and as what stands beside it."""

    floor: FloorLine
    cans: int
    logged: Cut[Logged]
    signals: Cut[OnSignal]
    due: Cut[ServiceDue]
    holds: Cut[HoldView]
    silent: Mapping[uuid.UUID, Silence]
    watch: Cut[Note]

    @property
    def stopped(self) -> tuple[FloorMachine, ...]:
        """Machines that stand still."""
        return tuple(one for one in self.floor.machines if one.stopped)

    @property
    def overdue(self) -> int:
        """Services that should have been done by now, among those that are shown."""
        return sum(one.is_overdue for one in self.due.shown)

    @property
    def is_silent(self) -> bool:
        """Whether no counter of the line says anything."""
        return bool(self.floor.machines) and len(self.silent) == len(self.floor.machines)


@dataclass(frozen=True)
class Top:
    """What is most pressing in the plant, whichever line it is on."""

    signals: Cut[OnSignal]
    holds: Cut[HoldView]
    watch: Cut[Note]


@dataclass(frozen=True)
class Wall:
    """What a screen shows at an instant (UTC); one line, or all of the plant.

    `knows_signals`: they have been worked out; else that none is on says nothing.
    """

    as_of: datetime
    knows_signals: bool
    shift: ShiftNow | None
    lines: tuple[WallLine, ...]
    top: Top


_SCREEN = (
    Screen.id,
    Screen.name,
    Screen.line_id,
    Screen.made_at,
    Screen.made_by,
    Screen.expires_at,
    Screen.last_seen_at,
    Screen.revoked_at,
)


def screens(session: Session) -> list[ScreenView]:
    """All screens, those in use first, newest first. One statement."""
    rows = session.execute(
        select(*_SCREEN).order_by(Screen.revoked_at.is_not(None), Screen.made_at.desc(), Screen.id)
    )
    return [ScreenView(*row) for row in rows]


def screen_with(session: Session, hashed: str) -> ScreenView | None:
    """The screen whose token has that hash, revoked or not. One statement."""
    return _one(session, Screen.token_hash == hashed)


def screen_named(session: Session, name: str) -> ScreenView:
    """The screen in use of that name.

    Raises:
        NotFound: there is none.
    """
    wanted = func.lower(Screen.name) == name.strip().lower()
    found = _one(session, wanted & Screen.revoked_at.is_(None))
    if found is None:
        raise NotFound(_("no screen in use is named '%(name)s'", name=name[:80]), "name")
    return found


def _one(session: Session, which: Any) -> ScreenView | None:
    row = session.execute(select(*_SCREEN).where(which)).first()
    return ScreenView(*row) if row else None


def mark(session: Session, moment: datetime) -> str:
    """What stands for the content of every screen at an instant. Two cheap statements."""
    until = worked_out_until(session)
    return mark_of(last_record(session), until[0] if until else 0, moment)


def wall(session: Session, plant: PlantView, line_id: uuid.UUID | None, as_of: datetime) -> Wall:
    """Everything that a screen shows.

    Args:
        session: an open session.
        plant: for its shifts.
        line_id: which line; None: all of them.
        as_of: UTC.

    Returns:
        A fixed number of statements.
    """
    places = directory(session)
    shift = plant.shift_at(as_of)
    since = shift.started_at if shift else as_of - timedelta(hours=_HOURS_OF_USE)
    found = _Found(session, places, since, as_of)
    lines = [one for one in floor(session, as_of) if line_id in (None, places.lines[one.line])]
    return Wall(
        as_of,
        worked_out_until(session) is not None,
        shift,
        tuple(found.of(one) for one in lines),
        found.top(lines),
    )


class _Found:
    """What is read once for all lines, and then told apart by line."""

    def __init__(
        self, session: Session, places: Directory, since: datetime, as_of: datetime
    ) -> None:
        asked = EntryFilter(start=since, end=as_of + timedelta(microseconds=1), as_of=as_of)
        self.titles = {kind.defect: kind.title for kind in vocabulary(session)}
        self.logged = production_counts(session, asked, by=("line", "defect"))
        self.standings = service_standings(session, as_of, ahead=False)
        self.holds = holds(session, HoldFilter(is_open=True), as_of)
        self.silent = silences(session, as_of)
        self.notes = [one for one in notes(session, places, since, as_of) if one.settled_at is None]

    def of(self, line: FloorLine) -> WallLine:
        """What is known of one line."""
        logged = sorted(
            (
                Logged(self.titles.get(one.defect or "", one.defect or ""), one.cans)
                for one in self.logged
                if one.line == line.line
            ),
            key=lambda one: (-one.cans, one.title),
        )
        return WallLine(
            line,
            sum(one.cans for one in logged),
            cut(logged),
            cut(self._signals([line])),
            cut(self._due(line)),
            cut([one for one in self.holds if one.line in (None, line.line)]),
            {own: one for own, one in self.silent.items() if one.machine.line == line.line},
            cut([one for one in self.notes if one.line in (None, line.line)]),
        )

    def top(self, lines: Sequence[FloorLine]) -> Top:
        """What is most pressing on those lines together."""
        return Top(
            cut(self._signals(lines), MOST_ON_TOP),
            cut(self.holds, MOST_ON_TOP),
            cut(self.notes, MOST_ON_TOP),
        )

    def _signals(self, lines: Sequence[FloorLine]) -> list[OnSignal]:
        """Signals that are on, the latest first."""
        machines = [machine for line in lines for machine in line.machines]
        found = [self._on(signal) for machine in machines for signal in machine.signals]
        return sorted(found, key=lambda one: one.signal.raised_at, reverse=True)

    def _on(self, signal: SignalView) -> OnSignal:
        title = self.titles.get(signal.defect, signal.defect) or _("all kinds of defect")
        rate, usual = signal.rate_per_million, signal.baseline_per_million
        return OnSignal(signal, title, rate / usual if rate is not None and usual > 0 else None)

    def _due(self, line: FloorLine) -> list[ServiceDue]:
        """What is overdue or falls due within a day at the use of the last 24 hours."""
        own = [one for one in self.standings if one.machine.line == line.line]
        use = {one.machine.id: one.strokes_recent / _HOURS_OF_USE for one in line.machines}
        return services_due(own, use)
