"""A line's flow of cans from bodymakers to pallets, can by can in all but name.

It knows nothing of the model by which suspect cans are found. Cans of each minute of making are
followed through a washer, an accumulator, decorators and ovens, a second accumulator, and a
palletiser. Accumulators let cans go roughly in the order in which they came, mixed over the oldest
third of what they hold, and keep a few in corners for half an hour and more. The stations behind
stop on their own; then the accumulators fill, and a full one stops what stands before it, down to
the bodymakers. What the simulator gives is the truth: how many cans of each minute lie on each
pallet.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from seed_demo.clock import PlantClock
from seed_demo.machines import build_bodymakers
from seed_demo.running import SLOT_MINUTES, run_plant
from seed_demo.sizes import PlantSize

FloatArray = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

CANS_PER_PALLET = 8_169
YIELD = 0.985
# Minutes without any waiting: through the washer, and from there to the palletiser.
_WASHER, _OVENS = 12, 9
# How much an accumulator holds, in minutes of the line's usual making.
_HOLDS = (30.0, 25.0)
# Faster than the bodymakers together, so that an accumulator empties again.
_FASTER = (1.10, 1.18)
# Mean minutes between stops, median minutes of a stop, spread of its logarithm.
_STOPS = (
    ((170.0, 6.0, 0.8), (2.5 * 1440, 50.0, 0.5)),
    ((140.0, 4.0, 0.8), (4.0 * 1440, 40.0, 0.5)),
)
_MIXED_SHARE = 0.35
CAUGHT_SHARE, CAUGHT_MINUTES = 0.003, 35.0


@dataclass(frozen=True)
class FilledPallet:
    """A pallet: when it was filled (minutes), and its cans by minute of making from `first` on."""

    start: float
    end: float
    first: int
    cans: FloatArray


@dataclass(frozen=True)
class Flow:
    """A line over some weeks: strokes of each machine and minute (m, n), and its pallets."""

    strokes: FloatArray
    pallets: tuple[FilledPallet, ...]


class _Store:
    """An accumulator: cans by minute of making, and those caught in its corners."""

    def __init__(self, minutes: int, caught: float) -> None:
        self.caught = caught
        self.cans = np.zeros(minutes)
        self.corner = np.zeros(minutes)
        self.first = self.last = 0

    def put(self, first: int, cans: FloatArray) -> None:
        if not len(cans):
            return
        self.first = min(self.first, first)
        self.last = max(self.last, first + len(cans) - 1)
        kept = cans * self.caught
        self.corner[first : first + len(cans)] += kept
        self.cans[first : first + len(cans)] += cans - kept

    def take(self, wanted: float) -> tuple[int, FloatArray]:
        """So many cans, of the oldest ones mixed, and what the corners let go."""
        while self.first < self.last and self.cans[self.first] + self.corner[self.first] < 0.01:
            self.first += 1
        first, last = self.first, self.last + 1
        held = self.cans[first:last]
        total = float(held.sum())
        wanted = min(wanted, total)
        if wanted <= 0:
            return first, np.zeros(0)
        pool = max(wanted, _MIXED_SHARE * total)
        inside = np.clip(pool - (np.cumsum(held) - held), 0.0, held)
        out = inside * (wanted / inside.sum())
        held -= out
        freed = self.corner[first:last] / CAUGHT_MINUTES
        self.corner[first:last] -= freed
        return first, out + freed

    @property
    def level(self) -> float:
        return float(self.cans[self.first : self.last + 1].sum())


def _down(
    minutes: int, kinds: tuple[tuple[float, float, float], ...], rng: np.random.Generator
) -> Flags:
    down = np.zeros(minutes, dtype=bool)
    for between, median, spread in kinds:
        count = rng.poisson(minutes / between)
        starts = rng.integers(0, minutes, count)
        lengths = np.ceil(median * np.exp(spread * rng.standard_normal(count))).astype(int)
        for start, length in zip(starts, lengths, strict=True):
            down[start : start + length] = True
    return down


def flow(seed: int, days: int = 30, bodymakers: int = 8, caught: float = CAUGHT_SHARE) -> Flow:
    """Run one line for some days; the same figures give the same line.

    Args:
        seed: of everything that happens by chance.
        days: how long.
        bodymakers: how many stand on the line.
        caught: share of the cans that each accumulator keeps in its corners.
    """
    rng = np.random.default_rng(seed)
    size = PlantSize(lines=1, bodymakers=bodymakers, days=days)
    machines = build_bodymakers(size, rng)
    strokes = np.repeat(run_plant(PlantClock.of(size), machines, rng).strokes, SLOT_MINUTES, axis=1)
    strokes /= SLOT_MINUTES
    minutes = strokes.shape[1]
    making = strokes.sum(axis=0)
    usual = float(np.mean(making[making > 0])) * YIELD
    down = [_down(minutes, kinds, rng) for kinds in _STOPS]
    washed, finished = _Store(minutes, caught), _Store(minutes, caught)
    # What comes out of the ovens in a minute went in some minutes before.
    in_ovens: list[tuple[int, FloatArray]] = [(0, np.zeros(0))] * _OVENS
    filling = _Filling()
    for now in range(minutes):
        if washed.level > _HOLDS[0] * usual:
            strokes[:, now] = 0.0
        made_at = now - _WASHER
        if made_at >= 0:
            washed.put(made_at, np.array([strokes[:, made_at].sum() * YIELD]))
        runs = not down[0][now] and finished.level < _HOLDS[1] * usual
        in_ovens.append(washed.take(_FASTER[0] * usual) if runs else (0, np.zeros(0)))
        finished.put(*in_ovens.pop(0))
        if not down[1][now]:
            filling.put(*finished.take(_FASTER[1] * usual), float(now))
    return Flow(strokes, tuple(filling.pallets))


class _Filling:
    """The palletiser: puts what arrives on one pallet after the other."""

    def __init__(self) -> None:
        self.pallets: list[FilledPallet] = []
        self._parts: list[tuple[int, FloatArray]] = []
        self._count, self._start = 0.0, 0.0

    def put(self, first: int, cans: FloatArray, now: float) -> None:
        total, done = float(cans.sum()), 0.0
        while total - done > 1e-9:
            if not self._parts:
                self._start = now + done / total
            share = min(CANS_PER_PALLET - self._count, total - done) / total
            self._parts.append((first, cans * share))
            self._count += share * total
            done += share * total
            if self._count >= CANS_PER_PALLET - 1e-6:
                self._finish(now + done / total)

    def _finish(self, end: float) -> None:
        first = min(start for start, _cans in self._parts)
        last = max(start + len(cans) for start, cans in self._parts)
        whole = np.zeros(last - first)
        for start, cans in self._parts:
            whole[start - first : start - first + len(cans)] += cans
        used = np.flatnonzero(whole > 1e-6)
        whole = whole[used[0] : used[-1] + 1]
        self.pallets.append(FilledPallet(self._start, end, first + int(used[0]), whole))
        self._parts, self._count = [], 0.0
