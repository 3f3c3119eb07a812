"""What is usual in counts by machine and day: spread of machines, unrest of days, habits of crews.

Everything is relative: counts against expectations of a plant whose machines and days are alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, IntArray, as_amounts, broadcast, require

# Shapes of the machines' gamma that are looked at, and what is likely of it beforehand: machines
# differ by about 45 %, give or take. Common practice, no source.
_SHAPES: FloatArray = np.exp(np.linspace(np.log(0.8), np.log(60.0), 60))
_USUAL_SHAPE, _SHAPE_SPREAD = 5.0, 0.5
# Relative variances by machine and day, line and day, plant and day, that are likely beforehand,
# and how sure that is. Common practice, no source.
_USUAL_UNREST = (0.15, 0.06, 0.04)
_UNREST_SURE = (0.12, 0.04, 0.03)
# Days between those that are compared; differences of all such pairs say two thirds of what as
# many independent days would.
_APART, _EFFICIENCY = 3, 2 / 3


@dataclass(frozen=True)
class Unrest:
    """Relative variance of the level from day to day, by what shares it."""

    machine_day: float
    line_day: float
    plant_day: float


def machine_shape(counts: npt.ArrayLike, expected: npt.ArrayLike) -> float:
    """Shape of the gamma of machines' levels: the smaller, the more machines differ.

    Formula: the shape of largest posterior, marginal negative binomial likelihood times a
    lognormal prior around 5; the mean level is that of all counts together.

    Args:
        counts, expected: by machine.
    Returns: the shape, 0.8 to 60.
    Raises: ValueError naming the argument.
    Source: Efron and Hastie (2016), Computer Age Statistical Inference, sec. 6.1, with a prior.
    Example: machines with 10 found where 10 were expected each have the largest shape likely.
    """
    from scipy.special import gammaln

    found, usual = broadcast(
        counts=as_amounts("counts", counts), expected=as_amounts("expected", expected)
    )
    known = usual > 0
    if not known.any() or not found[known].any():
        return _USUAL_SHAPE
    x, m = found[known, None], usual[known, None]
    m = m * x.sum() / m.sum()
    a = _SHAPES
    likelihood = gammaln(x + a) - gammaln(a) + a * np.log(a / (a + m)) + x * np.log(m / (a + m))
    prior = -((np.log(a / _USUAL_SHAPE)) ** 2) / (2 * _SHAPE_SPREAD**2)
    return float(a[np.argmax(likelihood.sum(axis=0) + prior)])


def unrest(
    counts: FloatArray, expected: FloatArray, lines: IntArray, clumping: float = 1.0
) -> Unrest:
    """Relative variance of the level from day to day.

    Formula: differences of residuals between days that are three apart, so that a level that
    changed for good does not pass for unrest, and what lasts a day or two does; their products
    for different machines, of one line or of different lines, and their squares less the Poisson
    part, each over the products of expectations, weighted with a prior by their precision.

    Args:
        counts, expected: machines x days; of three days or fewer only what is likely is told.
        lines: of each machine.
        clumping: variance of a Poisson count of clumps over its mean.
    Returns: variances of 0 or more.
    Raises: ValueError naming the argument.
    Source: successive differences, von Neumann et al. (1941), Annals of Mathematical Statistics
        12:153-162; variance components by moments, McCullagh and Nelder (1989), sec. 14.5.
    Example: Poisson counts give about 0 for each once there are thousands of them.
    """
    require(counts.shape == expected.shape, "counts and expected must have the same shape")
    rest = counts - expected
    steps = (rest[:, _APART:] - rest[:, :-_APART]) / np.sqrt(2)
    one_hot = (lines[:, None] == np.unique(lines)).astype(np.float64)
    made, of_machine = _products(steps, one_hot), _products(expected, one_hot)
    usual = [float(((one[:-_APART] + one[_APART:]) / 2).sum()) for one in of_machine]
    own, within, across = (float(one.sum()) for one in made)
    poisson = clumping * float((counts[:, :-_APART] + counts[:, _APART:]).sum()) / 2
    plant = _weighed(across, usual[2], 2)
    line = _weighed(within, usual[1], 1)
    of_all = _weighed(own - poisson, usual[0], 0)
    return Unrest(max(of_all - line, 0.02), max(line - plant, 0.005), plant)


def _products(values: FloatArray, one_hot: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """By day: squares, products of different machines of a line, and of different lines."""
    squares = (values**2).sum(axis=0)
    by_line = one_hot.T @ values
    of_lines = (by_line**2).sum(axis=0)
    return squares, of_lines - squares, by_line.sum(axis=0) ** 2 - of_lines


def _weighed(products: float, expected: float, which: int) -> float:
    precision = 1 / _UNREST_SURE[which] ** 2
    usual = sum(_USUAL_UNREST[which:])
    known = _EFFICIENCY * expected + precision
    return max((_EFFICIENCY * products + usual * precision) / known, 0.0)


def habits(
    counts: FloatArray, expected: FloatArray, labels: tuple[IntArray, ...], rounds: int = 4
) -> list[FloatArray]:
    """How many times as much as others each crew, shift or hour reports.

    Formula: the factors that make the sums over each label agree, found in turns.

    Args:
        counts, expected: in n pieces of time.
        labels: for each kind of label its values in the pieces, -1 where there is none.
        rounds: of fitting.
    Returns: for each kind the factors of its labels; 1 for a label without expectation.
    Raises: nothing.
    Source: iterative proportional fitting, Deming and Stephan (1940), Annals of Mathematical
        Statistics 11:427-444.
    Example: a crew with 20 where 10 were expected, beside one with 10, has twice its factor.
    """
    sizes = [int(one.max(initial=-1)) + 1 for one in labels]
    factors = [np.ones(size) for size in sizes]
    for _round in range(rounds):
        for kind, values in enumerate(labels):
            others = expected * _product(factors, labels, kind)
            known = values >= 0
            found = np.bincount(values[known], counts[known], sizes[kind])
            usual = np.bincount(values[known], others[known], sizes[kind])
            # As if 20 more had been found, as expected: few counts tell little.
            factors[kind] = (found + 20) / (usual + 20)
    return factors


def _product(factors: list[FloatArray], labels: tuple[IntArray, ...], but: int) -> FloatArray:
    product = np.ones(len(labels[0]))
    for kind, (factor, values) in enumerate(zip(factors, labels, strict=True)):
        if kind != but and len(factor):
            product = product * np.where(values >= 0, factor[np.maximum(values, 0)], 1.0)
    return product
