"""Acceptance by single samples: what a plan passes, and the standard's plans."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, as_numbers, as_probability, one_count, require

_SEARCH_POINTS = 2001


@dataclass(frozen=True)
class SamplingPlan:
    """Inspect `size` items, accept with at most `accept` bad ones, reject from `reject` on."""

    size: int
    accept: int
    reject: int
    code_letter: str | None = None


def _plan(size: int, accept: int) -> tuple[int, int]:
    n, c = one_count("size", size, least=1), one_count("accept", accept)
    require(c < n, "accept must be below size")
    return n, c


def _fractions(fraction: npt.ArrayLike) -> FloatArray:
    p = as_numbers("fraction", fraction)
    require(((p >= 0) & (p <= 1)).all(), "fraction must lie between 0 and 1")
    return p


def acceptance_binomial(size: int, accept: int, fraction: npt.ArrayLike) -> FloatArray:
    """Chance that a lot with a given fraction defective is accepted, lot large.

    Formula: sum over x = 0..c of C(n, x) p^x (1 - p)^(n - x). Assumes a random sample of a lot at
    least ten times its size (common practice).

    Args: size: n, accept: c, fraction: p, any shape, between 0 and 1. Returns: chances.
    Raises: ValueError naming the argument.
    Source: Montgomery, Introduction to Statistical Quality Control, 6th ed., sec. 15.2.
    Example: n 89, c 2 at 1 %: 0.9397.
    """
    from scipy.special import bdtr

    n, c = _plan(size, accept)
    return np.asarray(bdtr(c, n, _fractions(fraction)), dtype=np.float64)


def acceptance_poisson(size: int, accept: int, per_item: npt.ArrayLike) -> FloatArray:
    """Chance of acceptance when nonconformities per item are counted: Poisson with mean n u.

    Args: size: n, accept: c, per_item: u, 0 or more (0.0065 for 0.65 per 100 items).
    Raises: ValueError naming the argument.
    Source: ISO 2859-1:1999, Tables 10, nonconformities per 100 items.
    Example: n 200, c 3 at 0.0065: 0.9569.
    """
    from scipy.special import pdtr

    n, c = _plan(size, accept)
    u = as_numbers("per_item", per_item)
    require((u >= 0).all(), "per_item must be 0 or more")
    return np.asarray(pdtr(c, n * u), dtype=np.float64)


def acceptance_hypergeometric(
    lot: int, size: int, accept: int, defective: npt.ArrayLike
) -> FloatArray:
    """Chance of acceptance of a lot with exactly so many bad items (sampling without return).

    Formula: sum over x = 0..c of C(D, x) C(N - D, n - x) / C(N, n).

    Args: lot: N, size: n, accept: c, defective: D, whole numbers up to N, any shape.
    Raises: ValueError naming the argument.
    Source: Montgomery, 6th ed., sec. 15.2 (type-A curve).
    Example: 2 bad in a lot of 10, n 3, c 0: 0.4667.
    """
    from scipy.special import gammaln

    total = one_count("lot", lot, least=1)
    n, c = _plan(size, accept)
    require(n <= total, "size must not be above lot")
    bad = as_numbers("defective", defective)
    sound = (bad >= 0) & (bad <= total) & (bad == np.floor(bad))
    require(sound.all(), "defective must be whole numbers from 0 to lot")

    def log_ways(of: npt.ArrayLike, take: npt.ArrayLike) -> FloatArray:
        whole, part = np.asarray(of, dtype=np.float64), np.asarray(take, dtype=np.float64)
        ways = gammaln(whole + 1) - gammaln(part + 1) - gammaln(whole - part + 1)
        return np.asarray(ways, dtype=np.float64)

    seen = np.arange(c + 1, dtype=np.float64)
    d = bad[..., None]
    possible = (seen <= d) & (n - seen <= total - d)
    x = np.where(possible, seen, np.maximum(0, n - (total - d)))
    log_chance = log_ways(d, x) + log_ways(total - d, n - x) - log_ways(total, n)
    return np.asarray(np.exp(log_chance).sum(axis=-1, where=possible), dtype=np.float64)


def average_outgoing_quality(
    size: int, accept: int, fraction: npt.ArrayLike, lot: int | None = None
) -> FloatArray:
    """Mean fraction defective after rejected lots were sorted and bad items replaced.

    Formula: Pa p (N - n) / N; Pa p for a very large lot. Assumes perfect sorting.

    Args: size, accept, fraction: as `acceptance_binomial`. lot: N; None: very large.
    Raises: ValueError naming the argument.
    Source: Montgomery, 6th ed., sec. 15.2.4.
    Example: n 89, c 2, lot 10,000 at 1 %: 0.0093.
    """
    passed = acceptance_binomial(size, accept, fraction) * _fractions(fraction)
    if lot is None:
        return passed
    total = one_count("lot", lot, least=size)
    return np.asarray(passed * (total - size) / total, dtype=np.float64)


def average_total_inspection(
    size: int, accept: int, fraction: npt.ArrayLike, lot: int
) -> FloatArray:
    """Mean number of items inspected per lot when rejected lots are sorted: n + (1 - Pa)(N - n).

    Args, Raises: as `average_outgoing_quality`.
    Source: Montgomery, 6th ed., sec. 15.2.4.
    Example: n 89, c 2, lot 10,000 at 1 %: 687.
    """
    total = one_count("lot", lot, least=size)
    passed = acceptance_binomial(size, accept, fraction)
    return np.asarray(size + (1 - passed) * (total - size), dtype=np.float64)


def outgoing_quality_limit(size: int, accept: int, lot: int | None = None) -> float:
    """The worst average outgoing quality over all incoming fractions, found by search.

    Args, Raises: as `average_outgoing_quality`.
    Source: Montgomery, 6th ed., sec. 15.2.4.
    Example: n 89, c 2: 0.01538 for a very large lot, 0.01525 for 10,000.
    """
    low, high = 0.0, 1.0
    for _ in range(8):
        grid = np.linspace(low, high, _SEARCH_POINTS)
        quality = average_outgoing_quality(size, accept, grid, lot)
        best = int(quality.argmax())
        low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, grid.size - 1)])
    return float(quality[best])


def quality_at_acceptance(size: int, accept: int, chance: float) -> float:
    """Nonconformities per item at which a lot is accepted with a given chance (Poisson).

    Formula: the mean m with P(X <= c; m) = chance, over n.

    Args: size, accept: of the plan. chance: of acceptance, between 0 and 1.
    Raises: ValueError naming the argument.
    Source: ISO 2859-1:1999, Tables 10, tabulated values of the operating characteristic curves.
    Example: n 200, c 3: 0.00683 at 0.95 and 0.0334 at 0.10.
    """
    from scipy.special import gammainccinv

    n, c = _plan(size, accept)
    return float(gammainccinv(c + 1, as_probability("chance", chance))) / n


# ISO 2859-1:1999 Table 1, from memory: code letters by lot size (upper ends of the ranges).
_LOT_ENDS = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10000, 35000, 150000, 500000, math.inf)
_LETTERS_BY_LEVEL = {
    "S-1": "AAAABBBBCCCCDDD",
    "S-2": "AAABBBCCCDDDEEE",
    "S-3": "AABBCCDDEEFFGGH",
    "S-4": "AABCCDEEFGGHJJK",
    "I": "AABCCDEFGHJKLMN",
    "II": "ABCDEFGHJKLMNPQ",
    "III": "BCDEFGHJKLMNPQR",
}
_LETTERS = "ABCDEFGHJKLMNPQR"
_SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000)
# Table 2-A runs in diagonals: one letter on and one quality level back is the same plan.
_LEVELS = (
    *(0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5),
    *(4.0, 6.5, 10.0, 15.0, 25.0, 40.0, 65.0, 100.0, 150.0, 250.0, 400.0, 650.0, 1000.0),
)
_ACCEPT_BY_DIAGONAL = {0: 0, 3: 1, 4: 2, 5: 3, 6: 5, 7: 7, 8: 10, 9: 14, 10: 21, 11: 30, 12: 44}
_FIRST_DIAGONAL = 14
# From letter F on the table ends at 21.
_LAST_DIAGONAL_SMALL, _LAST_DIAGONAL = 12, 10
_LAST_SMALL_LETTER = _LETTERS.index("E")


def code_letter(lot: int, level: str = "II") -> str:
    """Code letter of the sample size for a lot.

    Args: lot: items, 2 or more. level: inspection level S-1 to S-4, I, II or III.
    Raises: ValueError naming the argument.
    Source: ISO 2859-1:1999, Table 1 (entries from memory); ANSI/ASQ Z1.4 has the same.
    Example: a lot of 1201 to 3200 at level II has letter K.
    """
    items = one_count("lot", lot, least=2)
    require(level in _LETTERS_BY_LEVEL, f"level must be one of {', '.join(_LETTERS_BY_LEVEL)}")
    place = next(i for i, end in enumerate(_LOT_ENDS) if items <= end)
    return _LETTERS_BY_LEVEL[level][place]


def normal_inspection_plan(letter: str, quality_level: float) -> SamplingPlan:
    """Single sampling plan for normal inspection; arrows of the table are followed.

    The plan's own code letter is returned with it, as an arrow leads to another sample size.

    Args: letter: A to R without I and O. quality_level: acceptance quality limit, a preferred value
        from 0.010 to 1000 (percent, or nonconformities per 100 items above 10).
    Raises: ValueError naming the argument; also for the corner of the table that has no plan.
    Source: ISO 2859-1:1999, Table 2-A (entries from memory); ANSI/ASQ Z1.4 has the same.
    Example: letter L at 0.65: inspect 200, accept 3, reject 4.
    """
    require(len(letter) == 1 and letter in _LETTERS, "letter must be A to R, without I and O")
    known = [i for i, level in enumerate(_LEVELS) if math.isclose(level, quality_level)]
    require(known, "quality_level must be a preferred value such as 0.65, 1.0 or 2.5")
    row, diagonal_of_a = _LETTERS.index(letter), known[0] - _FIRST_DIAGONAL
    row = _follow_arrow(row, diagonal_of_a)
    accept = _ACCEPT_BY_DIAGONAL[row + diagonal_of_a]
    return SamplingPlan(_SIZES[row], accept, accept + 1, _LETTERS[row])


def _follow_arrow(row: int, diagonal_of_a: int) -> int:
    """Row of the first plan above or below where the table has an arrow instead of a plan."""
    diagonal = row + diagonal_of_a
    if diagonal < 0:
        row = -diagonal_of_a
    elif diagonal == 1:
        # The first plan above; letter A has none above it and is sent down.
        row = row - 1 if row else 2
    elif diagonal == 2:
        row += 1
    while row + diagonal_of_a > (
        _LAST_DIAGONAL_SMALL if row <= _LAST_SMALL_LETTER else _LAST_DIAGONAL
    ):
        row -= 1
    sound = 0 <= row < len(_LETTERS) and row + diagonal_of_a in _ACCEPT_BY_DIAGONAL
    require(sound, "letter and quality_level have no plan in the table")
    return row
