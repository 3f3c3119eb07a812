"""Anything else that was altered: a dozen kinds of change over the year, and the planted one."""

from dataclasses import dataclass
from datetime import time, timedelta

import numpy as np

from seed_demo.clock import DAY_SECONDS, PlantClock
from seed_demo.faults import PRESSURE_KIND, FaultSchedule
from seed_demo.machines import Bodymaker, Roles

LABELS = ("Lime 330", "Quince 330", "Plain Water 330", "Ginger 330", "Elder 330", "Test print")
LABEL_DAYS = 3.0  # between label changes on a line
# kind: (how often a year in a plant of 32 bodymakers, on one machine, notes)
KINDS: dict[str, tuple[float, bool, tuple[str, ...]]] = {
    "coolant": (10, False, ("tank changed", "concentration raised to 4.2 %", "oil skimmed off")),
    "lubricator": (6, False, ("film weight lowered", "film weight back to usual", "new felt")),
    "can-height": (5, False, ("0.1 mm up", "0.1 mm down")),
    "operator-training": (8, False, ("reading dome codes", "clearing tear-offs", "new starter")),
    "washer-setting": (6, False, ("acid zone 2 degrees warmer", "belt slower")),
    "filter": (8, False, ("coolant filter changed",)),
    "gauge": (4, False, ("wall gauge calibrated", "dome gauge calibrated")),
    "speed-limit": (9, True, ("10 strokes a minute slower", "back to rated speed")),
    "strip-air": (9, True, ("nozzle turned", "pressure up 0.2 bar", "valve changed")),
    "dome-depth": (9, True, ("0.05 mm deeper", "0.05 mm shallower")),
    "ring-cooling": (6, True, ("jets cleaned", "flow up")),
    PRESSURE_KIND: (10, True, ("domer cushion up 0.1 bar", "domer cushion back to usual")),
}
LOWERED_NOTE = "redraw hold-down down by 0.5 bar to save air"
RESTORED_NOTE = "redraw hold-down back to its old setting"


@dataclass(frozen=True)
class Change:
    """A change on a line, or on one of its bodymakers; `at` in seconds."""

    line: int
    bodymaker: int | None
    at: int
    kind: str
    note: str


def make_changes(
    clock: PlantClock,
    machines: list[Bodymaker],
    roles: Roles,
    schedule: FaultSchedule,
    rng: np.random.Generator,
) -> list[Change]:
    """Return all changes in order of time, the planted one among them."""
    target = machines[roles.pressure]
    made = [
        Change(target.line, target.number, schedule.pressure_lowered, PRESSURE_KIND, LOWERED_NOTE),
        Change(
            target.line, target.number, schedule.pressure_restored, PRESSURE_KIND, RESTORED_NOTE
        ),
    ]
    years = clock.seconds / DAY_SECONDS / 365
    days = clock.dates()
    for kind, (yearly, on_machine, notes) in KINDS.items():
        for _ in range(1 + rng.poisson(yearly * years * len(machines) / 32)):
            machine = machines[int(rng.integers(len(machines)))]
            day = days[int(rng.integers(len(days)))]
            at = clock.second_of(day, time(int(rng.integers(7, 17)), int(rng.integers(60))))
            note = notes[int(rng.integers(len(notes)))]
            number = machine.number if on_machine else None
            if (machine is not target or kind != PRESSURE_KIND) and 0 <= at < clock.seconds:
                made.append(Change(machine.line, number, at, kind, note))
    made.extend(_label_changes(clock, sorted({m.line for m in machines}), rng))
    unique = {(c.line, c.bodymaker, c.at, c.kind): c for c in reversed(made)}
    return sorted(unique.values(), key=lambda c: (c.at, c.line, c.bodymaker or 0, c.kind))


def _label_changes(clock: PlantClock, lines: list[int], rng: np.random.Generator) -> list[Change]:
    made = []
    for line in lines:
        day, label = clock.starts_on, int(rng.integers(len(LABELS)))
        while True:
            day += timedelta(days=1 + int(rng.exponential(LABEL_DAYS - 1)))
            at = clock.second_of(day, time(int(rng.integers(6, 22)), int(rng.integers(60))))
            if at >= clock.seconds:
                break
            label = (label + int(rng.integers(1, len(LABELS)))) % len(LABELS)
            made.append(Change(line, None, at, "label", LABELS[label]))
    return made
