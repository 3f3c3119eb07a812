"""How the bodymakers run: stops of lines and machines, speed, and the true strokes made.

The history is cut into slots of five minutes. A slot's strokes are its running minutes times
the speed of that day; between the ends of a slot strokes are made evenly.
"""

import numpy as np

from seed_demo.clock import DAY_SECONDS, FloatArray, IntArray, PlantClock
from seed_demo.machines import Bodymaker

SLOT_SECONDS = 300
SLOT_MINUTES = SLOT_SECONDS // 60

# (mean hours between stops, median minutes of a stop, spread of its logarithm)
LINE_STOPS = ((5.0, 7.0, 0.7), (12 * 24.0, 150.0, 0.5))
MACHINE_STOPS = ((2.4, 6.0, 0.8), (9 * 24.0, 120.0, 0.6))
SPEED_PERSISTENCE = 0.97  # from one day to the next
SPEED_NOISE = 0.010
USUAL_SPEED = 0.96  # of the rated speed


class Running:
    """True strokes of every bodymaker over the whole history.

    `strokes` has one row per bodymaker and one column per slot. Cumulative figures are kept
    beside it and redone for a machine when it is stopped.
    """

    def __init__(self, strokes: FloatArray) -> None:
        self.strokes = strokes
        self.ends = np.arange(strokes.shape[1] + 1, dtype=np.float64) * SLOT_SECONDS
        self._made = np.zeros((strokes.shape[0], strokes.shape[1] + 1))
        np.cumsum(strokes, axis=1, out=self._made[:, 1:])

    def stop(self, machine: int, start: float, end: float) -> None:
        """Make a machine stand from the first slot that begins after `start` until `end`."""
        first = -int(-start // SLOT_SECONDS)
        last = min(-int(-end // SLOT_SECONDS), self.strokes.shape[1])
        self.strokes[machine, first:last] = 0.0
        row = self._made[machine]
        row[first + 1 :] = row[first] + np.cumsum(self.strokes[machine, first:])

    def made(self, machine: int, seconds: FloatArray | IntArray | float) -> FloatArray:
        """Return the strokes made by a machine from the start until `seconds`."""
        at = np.clip(np.asarray(seconds, dtype=np.float64), 0.0, self.ends[-1])
        return _between(self._made[machine], at)

    def whole(self, machine: int, seconds: FloatArray | IntArray | float) -> IntArray:
        """Return the same as whole strokes."""
        return np.floor(self.made(machine, seconds)).astype(np.int64)

    def when(self, machine: int, strokes: float) -> float:
        """Return the second at which a machine has made `strokes`; infinite if it never does."""
        row = self._made[machine]
        if strokes > row[-1]:
            return float("inf")
        slot = max(int(np.searchsorted(row, strokes)), 1)
        share = (strokes - row[slot - 1]) / max(row[slot] - row[slot - 1], 1e-9)
        return float((slot - 1 + min(max(share, 0.0), 1.0)) * SLOT_SECONDS)

    def made_by(self, machines: list[int]) -> FloatArray:
        """Return the cumulative strokes of several machines at the slot ends `ends`."""
        return np.asarray(self._made[machines].sum(axis=0))


def _between(row: FloatArray, at: FloatArray) -> FloatArray:
    slot = np.minimum((at // SLOT_SECONDS).astype(np.int64), len(row) - 2)
    share = at / SLOT_SECONDS - slot
    return np.asarray(row[slot] + share * (row[slot + 1] - row[slot]))


def run_plant(clock: PlantClock, machines: list[Bodymaker], rng: np.random.Generator) -> Running:
    """Return the running of all bodymakers before any service or tool change stops them."""
    slots = -(-clock.seconds // SLOT_SECONDS)
    strokes = np.zeros((len(machines), slots))
    line_down: dict[int, IntArray] = {}
    for row, machine in enumerate(machines):
        if machine.line not in line_down:
            line_down[machine.line] = _line_down(clock, machine.line, slots, rng)
        down = line_down[machine.line] + _stops(slots, MACHINE_STOPS, rng.uniform(0.7, 1.5), rng)
        running = np.cumsum(down)[:-1].reshape(slots, SLOT_MINUTES) == 0
        speed = machine.rated_spm * _speed(slots, rng)
        strokes[row] = running.sum(axis=1) * speed
    strokes[:, -1] *= (clock.seconds - (slots - 1) * SLOT_SECONDS) / SLOT_SECONDS
    return Running(strokes)


def _line_down(clock: PlantClock, line: int, slots: int, rng: np.random.Generator) -> IntArray:
    """Return +1 and -1 at the minutes at which a stop of the line begins and ends."""
    steps = _stops(slots, LINE_STOPS, rng.uniform(0.8, 1.25), rng)
    minutes = len(steps) - 1
    for start, end in clock.planned_stops(line):
        first, last = (min(max(second // 60, 0), minutes) for second in (start, end))
        steps[first] += 1
        steps[last] -= 1
    return steps


def _stops(
    slots: int,
    kinds: tuple[tuple[float, float, float], ...],
    frequency: float,
    rng: np.random.Generator,
) -> IntArray:
    minutes = slots * SLOT_MINUTES
    steps = np.zeros(minutes + 1, dtype=np.int64)
    for hours_between, median_minutes, spread in kinds:
        count = rng.poisson(minutes / 60 / hours_between * frequency)
        starts = rng.integers(0, minutes, count)
        lengths = np.ceil(median_minutes * np.exp(spread * rng.standard_normal(count)))
        ends = np.minimum(starts + lengths.astype(np.int64), minutes)
        np.add.at(steps, starts, 1)
        np.add.at(steps, ends, -1)
    return steps


def _speed(slots: int, rng: np.random.Generator) -> FloatArray:
    """Return the speed as a share of the rated one, drifting from day to day."""
    days = slots * SLOT_SECONDS // DAY_SECONDS + 2
    noise = rng.standard_normal(days) * SPEED_NOISE
    level, drift = 0.0, np.empty(days)
    for day in range(days):
        level = SPEED_PERSISTENCE * level + noise[day]
        drift[day] = level
    at = np.arange(slots) * SLOT_SECONDS / DAY_SECONDS
    return np.clip(USUAL_SPEED + np.interp(at, np.arange(days), drift), 0.85, 1.0)
