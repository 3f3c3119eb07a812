"""Made-up weeks of a plant of 32 machines on 4 lines in which nothing changed, or one thing did."""

import numpy as np

from tracelog.handover.weekly.rules import WEEKS_BEFORE, Of, Series

# Usual counts a week of a machine, by kind of defect.
USUAL = (90.0, 15.0, 6.0, 2.0, 0.5, 0.1)
WEEKS = WEEKS_BEFORE + 1
Planted = tuple[Of, str, str | None, float]


def a_week(
    rng: np.random.Generator, clumping: float, planted: Planted | None = None
) -> list[Series]:
    """Everything that a review compares.

    Args:
        rng: of the caller.
        clumping: relative variance of a machine's level from week to week.
        planted: what is multiplied in the week, and by how much.
    """

    def factor(of: Of, place: str, defect: str | None) -> float:
        return planted[3] if planted is not None and planted[:3] == (of, place, defect) else 1.0

    every = []
    for line in range(1, 5):
        of_line = np.zeros((len(USUAL), WEEKS), dtype=int)
        made = np.zeros(WEEKS)
        for number in range(1, 9):
            strokes = rng.uniform(0.8, 1.2, WEEKS) * 1e6
            made += strokes
            for kind, usual in enumerate(USUAL):
                place, defect = f"{line}-{number}", f"d{kind}"
                mean = usual * rng.uniform(0.8, 1.4) * strokes / 1e6
                if clumping:
                    mean *= rng.gamma(1 / clumping, clumping, WEEKS)
                mean[-1] *= factor(Of.DEFECT, place, defect)
                counts = rng.poisson(mean)
                of_line[kind] += counts
                every.append(_series(Of.DEFECT, place, defect, counts, strokes))
        every += [
            _series(Of.DEFECT, str(line), f"d{kind}", of_line[kind], made)
            for kind in range(len(USUAL))
        ]
        hours = rng.uniform(160, 168, WEEKS)
        speed = 40_000 * np.exp(rng.normal(0, (0.04, 0.08, 0.12, 0.08)[line - 1], WEEKS))
        speed[-1] *= factor(Of.STROKES, str(line), None)
        every.append(_series(Of.STROKES, str(line), None, (speed * hours).astype(int), hours))
        lost = 400 * rng.gamma(20, 1 / 20, WEEKS) * made / 8e6
        lost[-1] *= factor(Of.SPOILAGE, str(line), None)
        every.append(_series(Of.SPOILAGE, str(line), None, rng.poisson(lost), made))
    return every


def _series(
    of: Of, place: str, defect: str | None, counts: "np.typing.NDArray[np.int_]", exposure: object
) -> Series:
    n = np.asarray(exposure, dtype=float)
    told = tuple(int(one) for one in counts)
    return Series(of, place, defect, told[:-1], tuple(map(float, n[:-1])), told[-1], float(n[-1]))
