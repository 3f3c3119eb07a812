"""Serialised tools: fitted, worn out, changed at services, lent, restored and refitted elsewhere.

Positions are named after the tool type that sits in them. Every change happens while the
machine stands, so that the strokes on a tool follow exactly from its fits.
"""

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import count

import numpy as np

from seed_demo.faults import FaultSchedule
from seed_demo.machines import Roles
from seed_demo.running import SLOT_SECONDS, Running
from seed_demo.services import Service
from seed_demo.workshop import Work, Workshop


@dataclass(frozen=True)
class ToolType:
    """A tool type: planned life and the shape of its Weibull wear-out life in strokes."""

    tool_type: str
    prefix: str
    life_strokes: int
    shape: float


# A sleeve fails at random (shape 1): replacing it by age does not help, and the data say so.
TOOL_TYPES = (
    ToolType("punch", "P", 45_000_000, 2.5),
    ToolType("redraw-die", "RD", 40_000_000, 2.0),
    ToolType("redraw-sleeve", "RS", 35_000_000, 1.0),
    ToolType("ring-1", "R1", 32_000_000, 2.2),
    ToolType("ring-2", "R2", 26_000_000, 2.2),
    ToolType("ring-3", "R3", 18_000_000, 2.0),
    ToolType("doming-tool", "DT", 80_000_000, 3.0),
)
RING_3, DOMING = 5, 6
REDRAW = (1, 2)
SCALE_OF_LIFE = 1.3  # Weibull scale over the planned life
PLANNED_SHARE = 0.9  # of the planned life; past it a tool is changed at the next service
MOVED_CHANCE = 0.06  # per service and tool: taken out to be lent to another machine
REFIT_CHANCE = 0.75
REASONS = ("worn", "broken", "defect", "unknown")
REASON_WEIGHTS = (0.56, 0.24, 0.16, 0.04)


@dataclass
class Tool:
    """One tool: strokes it will bear before it fails, and those on it so far.

    Both count from new, or from when it was last restored, which is possible `restorable` times.
    """

    serial: str
    kind: int
    life: float
    used: float = 0.0
    note: str = ""
    restorable: int = 0


@dataclass
class Fit:
    """A tool in a position of a machine; seconds, `removed` None while it is in."""

    tool: Tool
    machine: int
    kind: int
    fitted: float
    removed: float | None = None
    reason: str = ""


@dataclass(order=True)
class _Event:
    at: float
    order: int
    act: Callable[[float], None] = field(compare=False)


class ToolRoom:
    """Fits and removes tools in order of time and keeps every fit there was."""

    def __init__(
        self,
        running: Running,
        services: list[Service],
        rng: np.random.Generator,
        workshop: Workshop,
    ) -> None:
        self.running = running
        self.rng = rng
        self.workshop = workshop
        self.end = float(running.ends[-1])
        self.fits: list[Fit] = []
        self.tools: list[Tool] = []
        self.quiet: list[tuple[int, int, float, float]] = []
        self._stands: dict[int, list[tuple[float, float]]] = {}
        for service in services:
            self._stands.setdefault(service.machine, []).append((service.start, service.end))
        self._fitted: dict[tuple[int, int], Fit] = {}
        self._spare: dict[int, list[Tool]] = {kind: [] for kind in range(len(TOOL_TYPES))}
        self._serials = [count(1 + int(rng.integers(100, 400))) for _ in TOOL_TYPES]
        self._events: list[_Event] = []
        self._order = count()

    def new_tool(self, kind: int, unbreakable: bool = False, at: float | None = None) -> Tool:
        """Return a tool with a life of its own: a new one, or one that was restored by `at`."""
        made = TOOL_TYPES[kind]
        life = made.life_strokes * SCALE_OF_LIFE * float(self.rng.weibull(made.shape))
        life = float("inf") if unbreakable else max(life, 200_000.0)
        tool = None if at is None else self.workshop.give_out(kind, at)
        if tool is not None:
            tool.life, tool.used = life, 0.0
            return tool
        restorable = self.workshop.restorable(made.tool_type)
        serial = f"{made.prefix}-{next(self._serials[kind]):04d}"
        tool = Tool(serial, kind, life, restorable=restorable)
        self.tools.append(tool)
        return tool

    def fit(self, tool: Tool, machine: int, at: float, scheduled: bool = True) -> None:
        """Fit a tool in its position; unless told otherwise its end is scheduled too."""
        fitted = Fit(tool, machine, tool.kind, at)
        self.fits.append(fitted)
        self._fitted[machine, tool.kind] = fitted
        if scheduled:
            self._schedule_end(fitted)

    def remove(self, machine: int, kind: int, at: float, reason: str) -> Tool:
        """Take out the tool in a position, and return it."""
        fitted = self._fitted.pop((machine, kind))
        fitted.removed, fitted.reason = at, reason
        fitted.tool.used += float(
            self.running.made(machine, at) - self.running.made(machine, fitted.fitted)
        )
        return fitted.tool

    def plan(self, at: float, act: Callable[[float], None]) -> None:
        """Let `act` happen at `at`, in order of time with everything else."""
        if at < self.end:
            heapq.heappush(self._events, _Event(at, next(self._order), act))

    def run(self) -> None:
        """Let everything planned happen."""
        while self._events:
            event = heapq.heappop(self._events)
            event.act(event.at)

    def _schedule_end(self, fitted: Fit) -> None:
        running, tool, machine = self.running, fitted.tool, fitted.machine
        made = float(running.made(machine, fitted.fitted))
        fails_at = running.when(machine, made + tool.life - tool.used)
        planned = TOOL_TYPES[tool.kind].life_strokes * PLANNED_SHARE
        old_at = running.when(machine, made + max(planned - tool.used, 0.0))
        for start, end in sorted(self._stands.get(machine, [])):
            if start >= fails_at or end - start < 7200:
                continue
            if start > max(old_at, fitted.fitted + 3600):
                self._plan_change(fitted, start + 1800.0, "planned")
                return
            lent = fitted.kind != DOMING and self.rng.random() < MOVED_CHANCE
            if lent and start > fitted.fitted + 86_400:
                self._plan_change(fitted, start + 1800.0, "moved")
                return
        if fails_at < self.end:
            self.plan(fails_at, lambda at: self._fail(fitted, made + tool.life - tool.used, at))

    def _plan_change(self, fitted: Fit, at: float, reason: str) -> None:
        self.plan(
            at + int(self.rng.integers(0, 30)) * 60.0,
            lambda now: self._change(fitted, now, reason),
        )

    def _fail(self, fitted: Fit, strokes: float, at: float) -> None:
        """Change a tool at the end of its life, unless later stops have put that end off."""
        due_at = self.running.when(fitted.machine, strokes)
        if due_at > at + SLOT_SECONDS:
            self.plan(due_at, lambda now: self._fail(fitted, strokes, now))
            return
        self._change(fitted, at, str(self.rng.choice(REASONS, p=REASON_WEIGHTS)))

    def _change(self, fitted: Fit, at: float, reason: str) -> None:
        """Replace the tool of a fit that still stands, with the machine stopped for it."""
        machine, kind = fitted.machine, fitted.kind
        if self._fitted.get((machine, kind)) is not fitted:
            return
        for quiet_machine, quiet_kind, start, end in self.quiet:
            if (machine, kind) == (quiet_machine, quiet_kind) and start <= at < end:
                self.plan(end + 7200.0, lambda now: self._change(fitted, now, "worn"))
                return
        taken, _ = self.swap(machine, kind, at, reason)
        self._put_away(taken, at, reason)

    def _put_away(self, tool: Tool, at: float, reason: str) -> None:
        """Keep a tool that can serve as it is; the others go to the workshop."""
        if tool.kind == DOMING:  # it carries the number of its machine
            return
        if reason == "moved" and tool.used < TOOL_TYPES[tool.kind].life_strokes * 0.85:
            self._spare[tool.kind].append(tool)
            return
        if reason == "defect" and tool.life - tool.used > 2e6 and self.rng.random() < 0.4:
            # Looked at under the lens, found good, back in the stores some days later.
            cleared = at + float(self.rng.uniform(2, 9)) * 86_400
            self.workshop.clear(tool, cleared)
            self.plan(cleared, lambda _: self._spare[tool.kind].append(tool))
            return
        self.workshop.take_in(tool, TOOL_TYPES[tool.kind].tool_type, at, reason)

    def swap(
        self,
        machine: int,
        kind: int,
        at: float,
        reason: str,
        tool: Tool | None = None,
        scheduled: bool = True,
    ) -> tuple[Tool, float]:
        """Stop a machine and replace its tool; return the tool taken out and the time of fitting.

        Without `tool` one comes from the tool room: part-used, restored or new.
        """
        at = max(at, self._fitted[machine, kind].fitted + 60)
        first = -(-at // SLOT_SECONDS) * SLOT_SECONDS
        removed = first + int(self.rng.integers(60, 300))
        fitted = removed + int(self.rng.integers(10, 40)) * 60
        self.running.stop(machine, first, fitted + int(self.rng.integers(60, 600)))
        taken = self.remove(machine, kind, removed, reason)
        self.fit(tool or self._from_stores(kind, fitted), machine, fitted, scheduled)
        return taken, float(fitted)

    def _from_stores(self, kind: int, at: float) -> Tool:
        spare = self._spare[kind]
        if spare and self.rng.random() < REFIT_CHANCE:
            return spare.pop(0)
        return self.new_tool(kind, at=at)


@dataclass(frozen=True)
class ToolHistory:
    """All tools, fits and works, the chipped ring, and when the lent doming tool was in."""

    tools: list[Tool]
    fits: list[Fit]
    works: list[Work]
    chipped: Tool
    lent: tuple[float, float] | None


def run_tools(
    running: Running,
    services: list[Service],
    roles: Roles,
    schedule: FaultSchedule,
    rebuild: tuple[int, int],
    rng: np.random.Generator,
    workshop: Workshop,
) -> ToolHistory:
    """Return the history of all tools; machines are stopped for each change."""
    room = ToolRoom(running, services, rng, workshop)
    for machine in range(len(running.strokes)):
        for kind in range(len(TOOL_TYPES)):
            room.fit(room.new_tool(kind), machine, 0.0)
    # Nothing else may change in the redraw tooling while the pressure is low.
    low, high = schedule.pressure_lowered - 86_400.0, schedule.pressure_restored + 86_400.0
    room.quiet.extend((roles.pressure, kind, low, high) for kind in REDRAW)
    chipped = _plan_chipped_ring(room, roles, schedule)
    lent = _plan_lent_doming_tool(room, roles, rebuild)
    room.run()
    fits = [fit for fit in room.fits if fit.fitted < room.end]
    for fit in fits:
        if fit.removed is not None and fit.removed >= room.end:
            fit.removed, fit.reason = None, ""
    known = {fit.tool.serial for fit in fits}
    tools = [tool for tool in room.tools if tool.serial in known]
    workshop.write_cards(fits, running)
    works = sorted(
        (one for one in workshop.works if one.serial in known), key=lambda one: (one.at, one.serial)
    )
    return ToolHistory(tools, fits, works, chipped[0], lent[0] if lent else None)


def _plan_chipped_ring(room: ToolRoom, roles: Roles, schedule: FaultSchedule) -> list[Tool]:
    """Fit a chipped ring in one machine, and later in another, where it stays.

    The list returned holds the ring once the room has run.
    """
    ring: list[Tool] = []

    def put_in(at: float) -> None:
        ring.append(room.new_tool(RING_3, unbreakable=True))
        room.swap(roles.ring_from, RING_3, at, "planned", ring[0], scheduled=False)

    def move(at: float) -> None:
        if roles.ring_to is not None:
            _, free_at = room.swap(roles.ring_from, RING_3, at, "moved")
            room.swap(roles.ring_to, RING_3, free_at + 900, "planned", ring[0], scheduled=False)

    room.plan(schedule.ring_fitted, put_in)
    room.plan(schedule.ring_moved, move)
    return ring


def _plan_lent_doming_tool(
    room: ToolRoom, roles: Roles, rebuild: tuple[int, int]
) -> list[tuple[float, float]]:
    """Lend the doming tool of a machine under rebuild to its neighbour for that time.

    The list returned holds the seconds of fitting and removal once the room has run.
    """
    lender, borrower = roles.dome_from, roles.dome_to
    window: list[tuple[float, float]] = []
    if lender is None or borrower is None:
        return window
    lent: list[Tool] = []

    def lend(at: float) -> None:
        lent.append(room.remove(lender, DOMING, at, "moved"))
        own, fitted = room.swap(borrower, DOMING, at + 3600, "planned", lent[0], scheduled=False)
        lent.append(own)
        window.append((fitted, room.end))

    def give_back(at: float) -> None:
        taken, free_at = room.swap(borrower, DOMING, at, "moved", lent[1])
        removed = max(fit.removed or 0.0 for fit in room.fits if fit.tool is taken)
        window[0] = (window[0][0], removed)
        room.fit(lent[0], lender, free_at + 1800)

    room.plan(rebuild[0] + 7200.0, lend)
    room.plan(rebuild[1] - 4 * 3600.0, give_back)
    return window
