"""What changed most in a week, by evidence: decisions that need no database.

Three kinds of series are compared with the weeks before: defects of a machine or a line, strokes
of a line, cans lost of a line. Each gets a two-sided p-value that knows how unsteady its weeks are;
all p-values are adjusted together (weighted Bonferroni: half of the allowed 5 % for defects, a
quarter each for strokes and for cans lost), so that of weeks in which nothing changed at most one
in twenty names anything.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from tracelog.stats.inputs import FloatArray
from tracelog.stats.multiplicity import bonferroni

# The chance that a week in which nothing changed names anything.
FALSE_WEEKS = 0.05
MOST_NAMED = 5
WEEKS_BEFORE = 8
# Fewer weeks before it do not tell how unsteady a line is.
FEWEST_WEEKS = 4


class Of(StrEnum):
    """What a series counts."""

    DEFECT = "defect"
    STROKES = "strokes"
    SPOILAGE = "spoilage"


# Shares of the 5 % that each kind of series may use up: lines are few, and would else be drowned.
_WEIGHTS = {Of.DEFECT: 0.5, Of.STROKES: 0.25, Of.SPOILAGE: 0.25}


@dataclass(frozen=True)
class Series:
    """One thing that is compared: its counts and exposures in the weeks before, and in the week.

    `place` is a machine such as 3-7, or a line; `of` says what is counted. Exposures are strokes,
    of strokes themselves hours in which counters are known. `bunch` is variance over mean of what
    chance alone would do: above 1 for cans, which come several in an entry.
    """

    of: Of
    place: str
    defect: str | None
    counts_before: tuple[int, ...]
    exposures_before: tuple[float, ...]
    count: int
    exposure: float
    bunch: float = 1.0

    @property
    def is_line(self) -> bool:
        """Whether it is of a whole line."""
        return "-" not in self.place

    @property
    def usual(self) -> float:
        """What the weeks before lead to expect of this week's exposure."""
        return sum(self.counts_before) * self.exposure / sum(self.exposures_before)

    @property
    def ratio(self) -> float:
        """This week over the usual; infinite where there was none before."""
        return self.count / self.usual if self.usual > 0 else math.inf


def bunch_of(cans_an_entry: float) -> float:
    """Variance over mean of cans lost, were entries by chance alone and their cans geometric.

    Formula: E c^2 / E c = 2 c - 1 for a geometric number of cans of mean c. Common practice, no
    source.

    Example:
        >>> bunch_of(1.0), bunch_of(7.0)
        (1.0, 13.0)
    """
    return max(1.0, 2 * cans_an_entry - 1)


@dataclass(frozen=True)
class Changed:
    """A series that changed beyond chance, with its p-value over all series together."""

    series: Series
    adjusted_p: float

    @property
    def evidence(self) -> float:
        """Natural logarithm of 1 / p: what the items are ranked by."""
        return -math.log(max(self.adjusted_p, 1e-300))


def changed_most(every: Sequence[Series]) -> list[Changed]:
    """The things that changed beyond chance, the surest first, at most five.

    Args:
        every: all that is compared; what cannot be is left out, and does not count as a test.

    Returns:
        Nothing where nothing changed.
    """
    clumping, scatter = unsteadiness(every), scatter_of_weeks(every)
    found: list[Changed] = []
    for of, weight in _WEIGHTS.items():
        tested = [
            (one, p_value(one, clumping.get(_kind(one), 0.0), scatter.get(of)))
            for one in every
            if one.of is of
        ]
        known = [(one, p) for one, p in tested if p is not None]
        adjusted = bonferroni([p for _one, p in known]) / weight if known else ()
        found += [
            Changed(one, float(p))
            for (one, _p), p in zip(known, adjusted, strict=True)
            if p <= FALSE_WEEKS
        ]
    found.sort(
        key=lambda one: (one.adjusted_p, -abs(math.log(max(one.series.ratio, 1e-9))), *_name(one))
    )
    told: list[Changed] = []
    for one in found:
        if not any(_says_the_same(one.series, other.series) for other in told):
            told.append(one)
    return told[:MOST_NAMED]


def _says_the_same(one: Series, other: Series) -> bool:
    """Whether one is of a machine, the other of its line, and both of one defect."""
    if one.of is not Of.DEFECT or one.defect != other.defect or one.is_line == other.is_line:
        return False
    return one.place.partition("-")[0] == other.place.partition("-")[0]


def _kind(one: Series) -> tuple[str, bool]:
    return one.defect or "", one.is_line


def _name(one: Changed) -> tuple[str, str, str]:
    return one.series.of.value, one.series.place, one.series.defect or ""


def unsteadiness(every: Sequence[Series]) -> dict[tuple[str, bool], float]:
    """How much the level of each kind of defect wanders from week to week.

    Formula: with x counts, m what a series' own mean rate leads to expect, the relative variance is
    k = sum((x - m)^2 - v) / sum(m^2), not below 0, over all machines and weeks before, where
    v = m (1 - share of the week in the series' exposure) is the Poisson part that is left after
    fitting the mean. A third more is taken, since few weeks know it badly.
    Source: moment estimator of a gamma-Poisson relative variance, as Breslow (1984), Applied
    Statistics 33:38-44 (from memory).

    Returns: by code of the defect, and whether of a line; 0 where counts are as steady as chance.
    """
    over: dict[tuple[str, bool], float] = {}
    squared: dict[tuple[str, bool], float] = {}
    for one in every:
        if one.of is not Of.DEFECT or sum(one.exposures_before) <= 0:
            continue
        x, n = np.array(one.counts_before, float), np.array(one.exposures_before, float)
        share = n / n.sum()
        m = x.sum() * share
        name = _kind(one)
        kept = 1 - share
        over[name] = over.get(name, 0.0) + float((((x - m) ** 2) - m * kept).sum())
        squared[name] = squared.get(name, 0.0) + float((m**2 * kept).sum())
    return {
        name: max(0.0, over[name] / squared[name]) * 4 / 3 if squared[name] > 0 else 0.0
        for name in over
    }


@dataclass(frozen=True)
class Scatter:
    """Scatter of the weeks before about their mean, over all lines, and its degrees of freedom."""

    variance: float
    freedom: int


def scatter_of_weeks(every: Sequence[Series]) -> dict[Of, Scatter]:
    """How much lines scatter from week to week, in strokes and in cans lost.

    Formula: of each line the weighted sum of squares of `_rooted` about its mean; all lines
    together, since eight weeks of one line alone know it badly.
    """
    found: dict[Of, Scatter] = {}
    for one in every:
        if one.of is Of.DEFECT:
            continue
        z, n = _rooted(one)
        if n.size >= FEWEST_WEEKS:
            so_far = found.get(one.of, Scatter(0.0, 0))
            squares = so_far.variance * so_far.freedom + _squares(z, n)
            freedom = so_far.freedom + n.size - 1
            found[one.of] = Scatter(squares / freedom, freedom)
    return found


def p_value(one: Series, clumping: float, scatter: Scatter | None) -> float | None:
    """Two-sided p-value that the week is like the weeks before; None: nothing to compare.

    Args:
        one: what is compared.
        clumping: relative variance of its level from week to week; for defects.
        scatter: of the weeks before, over all lines; for strokes and cans lost.
    """
    if one.exposure <= 0 or sum(one.exposures_before) <= 0:
        return None
    if one.of is Of.DEFECT:
        return _conditional(one, clumping)
    return None if scatter is None else _predicted(one, scatter)


def _conditional(one: Series, clumping: float) -> float | None:
    """Exact conditional test of two Poisson rates, on counts that are worth less when they clump.

    Formula: with x in the week and y before, both divided by f = 1 + k m (m expected in the week,
    k the clumping), tails of the binomial as incomplete beta functions: I(s; x, y + 1) for as many
    or more, I(1 - s; y, x + 1) for as few or fewer, s the week's share of the exposure; twice the
    smaller. With k = 0 it is the exact test.
    Source: Przyborowski and Wilenski (1940), Biometrika 31:313-323, with quasi-likelihood counts.
    """
    from scipy.special import betainc

    total = one.count + sum(one.counts_before)
    if total == 0:
        return None
    before = sum(one.exposures_before)
    share = one.exposure / (one.exposure + before)
    factor = 1 + clumping * total * share
    x, y = one.count / factor, sum(one.counts_before) / factor
    more = float(betainc(x, y + 1, share)) if x > 0 else 1.0
    fewer = float(betainc(y, x + 1, 1 - share)) if y > 0 else 1.0
    return min(1.0, 2 * min(more, fewer))


def _rooted(one: Series) -> tuple[FloatArray, FloatArray]:
    """2 sqrt((x + 3/8) / n) of the weeks before that have exposure, and that exposure n."""
    x, n = np.array(one.counts_before, dtype=float), np.array(one.exposures_before, dtype=float)
    x, n = x[n > 0], n[n > 0]
    return 2 * np.sqrt((x + 0.375) / n), n


def _squares(z: FloatArray, n: FloatArray) -> float:
    return float((n * (z - (n * z).sum() / n.sum()) ** 2).sum())


def _predicted(one: Series, scatter: Scatter) -> float | None:
    """Whether one more week fits the scatter of the weeks before.

    Formula: z = 2 sqrt((x + 3/8) / n), whose variance by chance alone is 1/n whatever the level;
    with the weighted mean of the weeks before, t = (z - mean) / sqrt(s^2 (1/n + 1/sum n)) has about
    a t distribution. s^2 is the largest of the line's own scatter, that of all lines, and `bunch`;
    the degrees of freedom are those of all lines.
    Source: prediction of a future observation, Hahn and Meeker (1991), Statistical Intervals,
    sec. 4.7; Anscombe (1948), Biometrika 35:246-254 (both from memory).
    """
    from scipy.special import stdtr

    z, n = _rooted(one)
    if n.size < FEWEST_WEEKS or sum(one.counts_before) + one.count == 0:
        return None
    latest = 2 * math.sqrt((one.count + 0.375) / one.exposure)
    mean = float((n * z).sum() / n.sum())
    variance = max(_squares(z, n) / (n.size - 1), scatter.variance, one.bunch)
    t = (latest - mean) / math.sqrt(variance * (1 / one.exposure + 1 / float(n.sum())))
    return float(min(1.0, 2 * stdtr(scatter.freedom, -abs(t))))
