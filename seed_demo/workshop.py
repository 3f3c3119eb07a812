"""The tool room: worn tools are ground, polished or coated and serve again, others are scrap.

It decides which tool goes in, never when a tool is changed or how long it lasts: a restored tool
gets the life that a new one in its place would have had. It draws from a random stream of its
own, so that everything else in the plant is as it would be without it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from seed_demo.clock import DAY_SECONDS, PlantClock
from tracelog.reference import tool_types

if TYPE_CHECKING:
    from seed_demo.running import Running
    from seed_demo.tools import Fit, Tool

# Chance that a tool taken out for that reason can be restored; the others are scrap.
RESTORED_CHANCE = {
    "planned": 0.97,
    "moved": 0.97,
    "worn": 0.92,
    "unknown": 0.8,
    "defect": 0.6,
    "broken": 0.1,
}
CARD_CHANCE = 0.85  # that somebody wrote down what a tool's card said when the records began
CARDS_WRITTEN = time(13, 0)  # of the first day
RECOAT_CHANCE = 0.3  # of a restored punch or redraw tool
# What restores a tool, and by how many micrometres that changes its size, from and to.
RESTORED_BY: dict[str, tuple[str, tuple[float, float]]] = {
    "punch": ("polish", (-5.0, -1.0)),
    "redraw-die": ("polish", (0.0, 0.0)),
    "redraw-sleeve": ("regrind", (0.0, 0.0)),
    "ring-1": ("regrind", (2.0, 5.0)),
    "ring-2": ("regrind", (2.0, 5.0)),
    "ring-3": ("regrind", (2.0, 5.0)),
}
COATED = frozenset({"punch", "redraw-die", "redraw-sleeve"})
# Bores and diameters of new tools in millimetres; the plant is invented, and so are they.
NEW_SIZE = {"punch": 66.0, "ring-1": 66.432, "ring-2": 66.324, "ring-3": 66.194}


@dataclass(frozen=True)
class Work:
    """Something done to a tool, or said on its card; `at` in seconds."""

    serial: str
    at: float
    work: str
    strokes_before: int | None = None
    size: float | None = None
    note: str = ""


@dataclass
class Workshop:
    """Tools that wait for their next fit, and everything that was done to tools."""

    clock: PlantClock
    rng: np.random.Generator
    works: list[Work] = field(default_factory=list)
    _ready: dict[int, list[tuple[float, "Tool"]]] = field(default_factory=dict)
    _times: dict[str, int] = field(default_factory=dict)
    _sizes: dict[str, float] = field(default_factory=dict)

    def take_in(self, tool: "Tool", tool_type: str, at: float, reason: str) -> None:
        """Restore a tool that was taken out, or scrap it."""
        by = RESTORED_BY.get(tool_type)
        done = self._working_hour(at + float(self.rng.uniform(1, 9)) * DAY_SECONDS)
        times = self._times.get(tool.serial, 0)
        if by is None or self.rng.random() >= RESTORED_CHANCE[reason] or times >= tool.restorable:
            why = "no size left" if by and times >= tool.restorable else f"taken out {reason}"
            self._write(Work(tool.serial, done, "scrap", note=why))
            return
        work, (low, high) = by
        self._times[tool.serial] = times + 1
        self._write(
            Work(tool.serial, done, work, size=self._size(tool.serial, tool_type, low, high))
        )
        if tool_type in COATED and self.rng.random() < RECOAT_CHANCE:
            done = self._working_hour(done + DAY_SECONDS)
            self._write(Work(tool.serial, done, "recoat"))
        self._ready.setdefault(tool.kind, []).append((done + 3600.0, tool))

    def give_out(self, kind: int, at: float) -> "Tool | None":
        """The restored tool of a kind that has waited longest; None: a new one is needed."""
        waiting = sorted(self._ready.get(kind, []), key=lambda one: one[0])
        if not waiting or waiting[0][0] >= at:
            return None
        self._ready[kind] = waiting[1:]
        return waiting[0][1]

    def clear(self, tool: "Tool", at: float) -> None:
        """A tool was looked at and found good."""
        note = "looked at under the lens, found good"
        self._write(Work(tool.serial, at // 60 * 60, "clean", note=note))

    def restorable(self, tool_type: str) -> int:
        """How often a new tool of a type can be restored, from the reference data."""
        kind = next(one for one in tool_types() if one.tool_type == tool_type)
        if kind.regrinds_low is None or kind.regrinds_high is None:
            return 0
        return int(self.rng.integers(kind.regrinds_low, kind.regrinds_high + 1))

    def write_cards(self, fits: Sequence["Fit"], running: "Running") -> None:
        """Write what the cards of most tools said on the first day, when they were new."""
        at = float(self.clock.second_of(self.clock.starts_on, CARDS_WRITTEN))
        for fit in fits:
            still_in = fit.removed is None or fit.removed > at
            if fit.fitted == 0 and still_in and self.rng.random() < CARD_CHANCE:
                made = int(running.whole(fit.machine, at))
                self._write(Work(fit.tool.serial, at, "on-record", made, note="new that morning"))

    def _write(self, work: Work) -> None:
        if work.at < self.clock.seconds:
            self.works.append(work)

    def _size(self, serial: str, tool_type: str, low: float, high: float) -> float | None:
        new = NEW_SIZE.get(tool_type)
        if new is None:
            return None
        size = self._sizes.get(serial, new) + float(self.rng.uniform(low, high)) / 1000
        self._sizes[serial] = size
        return size

    def _working_hour(self, at: float) -> float:
        """A quarter of an hour of the day shift at about that time, not before it."""
        local = self.clock.utc(at).astimezone(self.clock.zone)
        quarter = int(self.rng.integers(0, 4 * 8))
        day = local.date() if local.hour < 7 else local.date() + timedelta(days=1)
        return float(self.clock.second_of(day, time(7 + quarter // 4, quarter % 4 * 15)))
