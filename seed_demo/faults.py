"""The three planted faults: when and where they happen, and the truth about them.

In histories shorter than 60 days everything moves closer to the end in proportion.
"""

from dataclasses import dataclass
from datetime import datetime, time

from seed_demo.clock import PlantClock
from seed_demo.machines import Bodymaker, Roles

RING_DEFECT, RING_RATIO = "score-outside", 10.0
COIL_DEFECT, COIL_RATIO = "pinhole", 60.0
PRESSURE_DEFECT, PRESSURE_RATIO = "redraw-pleat", 9.0
PRESSURE_KIND = "pressure-setting"
RING_SENTENCE = "A chipped ring scores cans in every machine it is fitted in; it is still in use."
COIL_SENTENCE = "Inclusions in one coil make pinholes on all bodymakers of its line."
PRESSURE_SENTENCE = "Too little redraw hold-down pleats cans until the old setting is restored."
FAULT_DAYS = 60  # the days before the end in which the faults lie


@dataclass(frozen=True)
class FaultSchedule:
    """Seconds at which the planted faults begin, move and end."""

    ring_fitted: int
    ring_moved: int
    coil_near: int
    pressure_lowered: int
    pressure_restored: int


@dataclass(frozen=True)
class FaultWindow:
    """A machine that makes more of a defect from `start` to `end` (seconds), `ratio` times."""

    machine: int
    defect: str
    start: float
    end: float
    ratio: float


@dataclass(frozen=True)
class PlantedFault:
    """The truth about one planted fault.

    `kind` and `name` are those of an explanation: a tool's serial, a coil, or a change written
    as kind @ machine @ instant. `windows` lists (dome code, start, end) in UTC.
    """

    kind: str
    name: str
    defect: str
    rate_ratio: float
    windows: tuple[tuple[str, datetime, datetime], ...]
    sentence: str


def schedule_faults(clock: PlantClock) -> FaultSchedule:
    """Return when the planted faults happen in this history."""
    closer = min(1.0, len(clock.dates()) / FAULT_DAYS)

    def before(days: float, at: time) -> int:
        return clock.days_before_end(days * closer, at)

    return FaultSchedule(
        ring_fitted=before(41, time(10, 20)),
        ring_moved=before(24, time(13, 40)),
        coil_near=before(10, time(15, 0)),
        pressure_lowered=before(36, time(9, 10)),
        pressure_restored=before(17, time(14, 30)),
    )


def pressure_windows(schedule: FaultSchedule, roles: Roles) -> list[FaultWindow]:
    """Return the window in which the lowered hold-down pressure does its harm."""
    return [
        FaultWindow(
            roles.pressure,
            PRESSURE_DEFECT,
            schedule.pressure_lowered,
            schedule.pressure_restored,
            PRESSURE_RATIO,
        )
    ]


def coil_windows(
    machines: list[Bodymaker], line: int, start: float, end: float
) -> list[FaultWindow]:
    """Return one window per bodymaker of the line on which the bad coil ran."""
    return [
        FaultWindow(index, COIL_DEFECT, start, end, COIL_RATIO)
        for index, machine in enumerate(machines)
        if machine.line == line
    ]


def ring_windows(stays: list[tuple[int, float, float | None]], end: float) -> list[FaultWindow]:
    """Return one window per (machine, fitted, removed) stay of the chipped ring."""
    return [
        FaultWindow(machine, RING_DEFECT, fitted, end if removed is None else removed, RING_RATIO)
        for machine, fitted, removed in stays
    ]


def tell(
    clock: PlantClock,
    machines: list[Bodymaker],
    kind: str,
    name: str,
    sentence: str,
    windows: list[FaultWindow],
) -> PlantedFault:
    """Return the truth about a fault from its windows."""
    return PlantedFault(
        kind=kind,
        name=name,
        defect=windows[0].defect,
        rate_ratio=windows[0].ratio,
        windows=tuple(
            (machines[w.machine].code, clock.utc(w.start), clock.utc(w.end)) for w in windows
        ),
        sentence=sentence,
    )
