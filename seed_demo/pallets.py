"""Pallets: filled a transit time after the bodymakers, mostly released, some held."""

from dataclasses import dataclass

import numpy as np

from seed_demo.clock import DAY_SECONDS, FloatArray, PlantClock
from seed_demo.coils import LineCoils
from seed_demo.machines import TRANSIT_MINUTES, Bodymaker
from seed_demo.running import Running

CANS_PER_PALLET = 8_169
YIELD = 0.982  # of the strokes that reach a pallet
USUAL_TRANSIT_MINUTES = 45
PART_PALLETS = 0.004
HELD_AT_RANDOM = 0.0015
# 952 is the prefix that the numbering standard keeps for examples (from memory).
SSCC_PREFIX = "0952400017"


@dataclass(frozen=True)
class LinePallets:
    """The pallets of one line in order; pallet n is filled from starts[n] to ends[n] (seconds)."""

    line: int
    pallets: tuple[str, ...]
    cans: tuple[int, ...]
    starts: FloatArray
    ends: FloatArray
    held: tuple[bool, ...]


def fill_pallets(
    clock: PlantClock,
    machines: list[Bodymaker],
    running: Running,
    pallet_days: int,
    bad: tuple[LineCoils, int],
    rng: np.random.Generator,
) -> list[LinePallets]:
    """Return the pallets of the last `pallet_days` days, line by line.

    When the bad coil was noticed, in its second half, the plant held what came from then on;
    the pallets of its first half went out.
    """
    bad_coils, bad_index = bad
    bad_start, bad_end = _coil_window(clock, bad_coils, bad_index)
    noticed = (bad_start + bad_end) / 2 + TRANSIT_MINUTES[0] * 60
    cleared = bad_end + TRANSIT_MINUTES[1] * 60
    from_second = max(0.0, clock.seconds - pallet_days * float(DAY_SECONDS))
    found, serial = [], int(rng.integers(1_000_000, 2_000_000))
    for line in sorted({m.line for m in machines}):
        rows = [i for i, m in enumerate(machines) if m.line == line]
        starts, ends, cans = _windows(clock, running, rows, from_second, rng)
        held = rng.random(len(starts)) < HELD_AT_RANDOM
        if line == bad_coils.line:
            held |= (starts < cleared) & (ends > noticed)
        numbers = range(serial, serial + len(starts))
        found.append(
            LinePallets(
                line=line,
                pallets=tuple(_sscc(n) for n in numbers),
                cans=tuple(cans.tolist()),
                starts=starts,
                ends=ends,
                held=tuple(held.tolist()),
            )
        )
        serial += len(starts) + 1000
    return found


def _coil_window(clock: PlantClock, coils: LineCoils, index: int) -> tuple[float, float]:
    last = index + 1 >= len(coils.starts)
    return float(coils.starts[index]), float(clock.seconds if last else coils.starts[index + 1])


def _windows(
    clock: PlantClock,
    running: Running,
    rows: list[int],
    from_second: float,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    good = running.made_by(rows) * YIELD
    arrived = running.ends + USUAL_TRANSIT_MINUTES * 60
    first = float(np.interp(from_second, arrived, good))
    last = float(np.interp(clock.seconds, arrived, good))
    count = int((last - first) // CANS_PER_PALLET * 1.01) + 1
    cans = np.full(count, CANS_PER_PALLET)
    part = rng.random(count) < PART_PALLETS
    cans[part] = rng.integers(4, 20, int(part.sum())) * 389
    bounds = first + np.concatenate([[0], np.cumsum(cans)])
    bounds = bounds[bounds <= last]
    at = np.interp(bounds, good, arrived)
    # Mass conveyors hold back and let go: the end of a pallet wanders by half a minute.
    wander = rng.uniform(-30, 30, len(at))
    at = np.maximum.accumulate(np.minimum(at + wander, clock.seconds).round())
    ends = at[1:]
    starts = np.minimum(at[:-1] + 12, ends)
    return starts, ends, cans[: len(ends)]


def _sscc(serial: int) -> str:
    digits = f"{SSCC_PREFIX}{serial:07d}"
    weighted = sum(int(d) * (3 if n % 2 == 0 else 1) for n, d in enumerate(digits))
    return f"{digits}{-weighted % 10}"
