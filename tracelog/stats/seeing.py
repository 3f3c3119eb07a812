"""What a sample of cans without a bad one says: what it would have seen, and what it may miss."""

from __future__ import annotations

import math

from tracelog.stats.inputs import as_probability, one_count, require


def chance_missed(cans: int, fraction: float) -> float:
    """Chance that a sample holds not one bad can although a fraction of all is bad.

    Formula: (1 - p)^n; the lot is large and the sample random.

    Args: cans: n. fraction: p, from 0 to 1.
    Raises: ValueError naming the argument.
    Source: Montgomery, Introduction to Statistical Quality Control, 6th ed., sec. 15.2.
    Example: 2 cans miss 1 in 1,000 with 0.998.
    """
    n = one_count("cans", cans, least=0)
    require(0 <= fraction <= 1, "fraction must lie between 0 and 1")
    return float((1.0 - fraction) ** n)


def fraction_seen(cans: int, chance: float = 0.95) -> float:
    """The smallest fraction of bad cans that a sample would have shown with a given chance.

    Formula: 1 - (1 - chance)^(1 / n): the exact upper limit for no event in n.

    Args: cans: n, 1 or more. chance: between 0 and 1.
    Raises: ValueError naming the argument.
    Source: Clopper and Pearson, Biometrika 26 (1934); for small fractions "three over n", Hanley
        and Lippman-Hand, JAMA 249 (1983).
    Example: 20 cans without a bad one: 0.139 at 0.95.
    """
    n = one_count("cans", cans, least=1)
    return float(1.0 - (1.0 - as_probability("chance", chance)) ** (1.0 / n))


def cans_to_see(fraction: float, chance: float = 0.95) -> int:
    """How many cans hold at least one bad one with a given chance.

    Formula: ln(1 - chance) / ln(1 - p), rounded up.

    Args: fraction: p, above 0 and up to 1. chance: between 0 and 1.
    Raises: ValueError naming the argument.
    Source: as `fraction_seen`.
    Example: 1 in 1,000 at 0.95: 2,995.
    """
    require(0 < fraction <= 1, "fraction must be above 0 and not above 1")
    if fraction == 1:
        return 1
    wanted = math.log1p(-as_probability("chance", chance)) / math.log1p(-fraction)
    return math.ceil(wanted - 1e-9)
