"""Coils of body stock: consecutive on each line, a few hours each, and the bad one."""

from dataclasses import dataclass

import numpy as np

from seed_demo.clock import FloatArray, IntArray
from seed_demo.machines import Bodymaker
from seed_demo.running import Running

CANS_PER_BODYMAKER = (75_000, 105_000)  # about 4 to 6 hours at line speed
COILS_PER_MELT = 3
GAUGES = ("0.245", "0.250", "0.255")


@dataclass(frozen=True)
class LineCoils:
    """The coils of one line in order; coil n runs from starts[n] to starts[n + 1] (seconds).

    `cans` is what each coil gave, the last one, still running, left out.
    """

    line: int
    coils: tuple[str, ...]
    melts: tuple[str, ...]
    gauges: tuple[str, ...]
    starts: FloatArray
    cans: FloatArray

    def running(self, seconds: FloatArray) -> IntArray:
        """Return the index of the coil that ran at each second."""
        found = np.searchsorted(self.starts, seconds, side="right") - 1
        return np.clip(found, 0, len(self.coils) - 1)


def run_coils(
    machines: list[Bodymaker], running: Running, rng: np.random.Generator
) -> list[LineCoils]:
    """Return the coils of every line; the last of each is still on the line at the end."""
    found = []
    number, melt = int(rng.integers(40_000, 60_000)), int(rng.integers(2_000, 6_000))
    for line in sorted({m.line for m in machines}):
        rows = [i for i, m in enumerate(machines) if m.line == line]
        made = running.made_by(rows)
        low, high = (cans * len(rows) for cans in CANS_PER_BODYMAKER)
        sizes = rng.uniform(low, high, int(made[-1] // low) + 2)
        ends = np.cumsum(sizes) - sizes[0] * rng.random()
        ends = ends[(ends > 0) & (ends < made[-1])]
        # Machines that stand make no strokes: a coil starts when the last one is used up.
        starts = np.concatenate([[0.0], np.interp(ends, made, running.ends)]).round()
        numbers = np.cumsum(rng.integers(1, 4, len(starts)))
        melts = melt + np.arange(len(starts)) // COILS_PER_MELT
        found.append(
            LineCoils(
                line=line,
                coils=tuple(f"WB{number + int(n):06d}" for n in numbers),
                melts=tuple(str(m) for m in melts),
                gauges=tuple(rng.choice(GAUGES, len(starts)).tolist()),
                starts=starts,
                cans=np.diff(np.concatenate([[0.0], ends])),
            )
        )
        number += int(numbers[-1]) + 500
        melt += len(starts) // COILS_PER_MELT + 40
    return found


def bad_coil(coils: LineCoils, near: int) -> int:
    """Return the index of the coil near `near` that shall be the bad one.

    Of the coils that start within a day of it, and among these of the ones that ran without a
    long stop, it is the largest. The last coil, still running, is left out.
    """
    hours = np.diff(coils.starts)
    if len(hours) == 0:
        return 0
    distance = np.abs(coils.starts[:-1] - near)
    close = distance <= max(86_400.0, float(distance.min()))
    pace = np.where(close, coils.cans / hours, 0.0)
    steady = pace >= 0.93 * pace.max()
    return int(np.argmax(np.where(steady, coils.cans, 0.0)))
