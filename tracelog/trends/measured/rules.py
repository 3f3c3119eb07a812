"""Which chart measured values get, and the chart itself. Pure: values in, values out."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from tracelog.language import _
from tracelog.stats.chart import Chart
from tracelog.stats.cusum import Cusum, tabular_cusum
from tracelog.stats.ewma import ewma_chart
from tracelog.stats.freedom import (
    freedom_of_deviations,
    freedom_of_moving_ranges,
    freedom_of_ranges,
)
from tracelog.stats.variables import ChartPair, individuals_chart, xbar_r_chart, xbar_s_chart

# Ranges lose to standard deviations in larger subgroups. Common practice; Montgomery, 6th ed.,
# sec. 6.3, draws the line at about 10.
LARGEST_RANGED = 8
# Values with one subgroup's word that lie farther apart were not taken together: some plants begin
# to count anew each day. Common practice, no source.
LONGEST_SUBGROUP = timedelta(hours=8)
# Montgomery, Introduction to Statistical Quality Control, 6th ed., sec. 6.2: 20 to 25 subgroups.
ENOUGH_POINTS = 20
EWMA_WEIGHT = 0.2
EWMA_SIGMAS = 3.0
# Slack and limit of the CUSUM in standard errors of a point: a shift of one is found in about 10
# points, a steady process is called once in 465 (Lucas and Crosier 1982).
CUSUM_SLACK = 0.5
CUSUM_LIMIT = 5.0


class MeasuredChart(StrEnum):
    """Which chart; `auto` leaves it to the values."""

    AUTO = "auto"
    X_BAR_R = "x-bar-r"
    X_BAR_S = "x-bar-s"
    INDIVIDUALS = "individuals"
    EWMA = "ewma"
    CUSUM = "cusum"


class Scale(StrEnum):
    """Whether values are charted as they are or as their logarithms."""

    AUTO = "auto"
    PLAIN = "plain"
    LOG = "log"


@dataclass(frozen=True)
class Single:
    """One measured value of a machine."""

    machine_id: uuid.UUID
    at: datetime
    value: float
    subgroup: str | None


@dataclass(frozen=True)
class Taken:
    """Values that were taken together, or one alone: a point of a chart."""

    machine_id: uuid.UUID
    at: datetime
    values: tuple[float, ...]

    @property
    def size(self) -> int:
        """How many values."""
        return len(self.values)


@dataclass(frozen=True)
class Drawn:
    """A chart of measured values.

    Attributes:
        kind: which.
        why: why this one.
        points: what each point is made of.
        level: the chart of the level; of the rising sum for a CUSUM.
        spread: the chart of the spread, None for EWMA and CUSUM.
        sigma: standard deviation of one value, from within points; None where all are alike.
        freedom: degrees of freedom that it is worth.
        cusum: both sums, for a CUSUM.
        watched: the level that an EWMA or a CUSUM watches, else the centre.
        left_out: values that have no place on it.
    """

    kind: MeasuredChart
    why: str
    points: tuple[Taken, ...]
    level: Chart
    spread: Chart | None
    sigma: float
    freedom: float
    watched: float
    cusum: Cusum | None = None
    left_out: int = 0


def taken_together(values: Sequence[Single]) -> list[Taken]:
    """Values as they were taken: those of a machine with one subgroup's word make one point.

    Args:
        values: in order of time.

    Returns:
        In order of their first values.
    """
    groups: list[list[Single]] = []
    latest: dict[tuple[uuid.UUID, str], list[Single]] = {}
    for one in values:
        if one.subgroup is None:
            groups.append([one])
            continue
        key = (one.machine_id, one.subgroup)
        held = latest.get(key)
        if held is not None and one.at - held[0].at <= LONGEST_SUBGROUP:
            held.append(one)
        else:
            latest[key] = [one]
            groups.append(latest[key])
    return [
        Taken(group[0].machine_id, group[0].at, tuple(one.value for one in group))
        for group in groups
    ]


def each_alone(values: Sequence[Single]) -> list[Taken]:
    """Every value as a point of its own."""
    return [Taken(one.machine_id, one.at, (one.value,)) for one in values]


def fitting_kind(groups: Sequence[Taken], usual: MeasuredChart) -> tuple[MeasuredChart, str]:
    """The chart that fits, and why, in words that begin small.

    Args:
        groups: values as they were taken.
        usual: what the vocabulary says suits the characteristic, `auto` if nothing.
    """
    if usual is not MeasuredChart.AUTO:
        return usual, _("this figure is skewed, and single values show its tail best")
    sizes = [group.size for group in groups if group.size > 1]
    if 2 * sum(sizes) <= sum(group.size for group in groups):
        return MeasuredChart.INDIVIDUALS, _("most values were taken one at a time")
    least, most = min(sizes), max(sizes)
    if most > LARGEST_RANGED:
        return MeasuredChart.X_BAR_S, _(
            "subgroups hold up to %(most)d values; above %(limit)d the standard deviation tells"
            " more than the range",
            most=most,
            limit=LARGEST_RANGED,
        )
    if least != most:
        return MeasuredChart.X_BAR_S, _(
            "subgroups differ in size, from %(least)d to %(most)d values", least=least, most=most
        )
    return MeasuredChart.X_BAR_R, _("each subgroup holds %(size)d values", size=most)


def points_of(
    kind: MeasuredChart, values: Sequence[Single], groups: Sequence[Taken]
) -> tuple[list[Taken], int]:
    """What a kind of chart draws, and how many values have no place on it.

    Raises:
        ValueError: the values do not suit the chart, with the sentence to show.
    """
    if kind is MeasuredChart.INDIVIDUALS:
        return each_alone(values), 0
    together = [group for group in groups if group.size > 1]
    lone = len(groups) - len(together)
    if kind in (MeasuredChart.X_BAR_R, MeasuredChart.X_BAR_S):
        if not together:
            raise ValueError(
                _("no values were taken together; choose individuals, or record subgroups")
            )
        return together, lone
    if not together or 2 * sum(group.size for group in together) <= len(values):
        return each_alone(values), 0
    if len({group.size for group in together}) > 1:
        raise ValueError(
            _("subgroups differ in size; choose x-bar-s, which takes that into account")
        )
    return together, lone


def drawn_chart(
    kind: MeasuredChart,
    why: str,
    points: Sequence[Taken],
    baseline: Sequence[bool],
    target: float | None,
    left_out: int = 0,
) -> Drawn:
    """The chart of these points.

    Args:
        kind: any but `auto`.
        why: why this one.
        points: as `points_of` gives them.
        baseline: true for the points that set centre and sigma.
        target: what an EWMA or a CUSUM watches, None: the mean of the baseline.
        left_out: how many values have no place on it.

    Raises:
        ValueError: they are too few or all alike, with the sentence to show.
    """
    used = np.asarray(baseline, dtype=np.bool_)
    # One subgroup is a chart with one point; single values need two for a range.
    alone = all(point.size == 1 for point in points)
    if alone and not (used[1:] & used[:-1]).any():
        raise ValueError(_("there are no two values that follow each other; measure more"))
    pair, freedom = _shewhart(kind, points, used, alone=alone)
    shown: Chart = pair.level
    spread: Chart | None = pair.spread
    sums = None
    if kind in (MeasuredChart.EWMA, MeasuredChart.CUSUM):
        shown, sums = _watch(kind, pair, points[0].size, target)
        spread = None
    watched = pair.level.centre if target is None or spread is not None else target
    return Drawn(
        kind, why, tuple(points), shown, spread, pair.sigma, freedom, watched, sums, left_out
    )


def _shewhart(
    kind: MeasuredChart, points: Sequence[Taken], used: npt.NDArray[np.bool_], *, alone: bool
) -> tuple[ChartPair, float]:
    """Level and spread of the points, and what the sigma is worth."""
    if alone:
        values = np.array([point.values[0] for point in points])
        return individuals_chart(values, used), freedom_of_moving_ranges(max(int(used.sum()), 2))
    groups = [np.array(point.values) for point in points]
    sizes = [point.size for point, is_used in zip(points, used, strict=True) if is_used]
    if kind is MeasuredChart.X_BAR_S or max(sizes) > LARGEST_RANGED:
        return xbar_s_chart(groups, used), freedom_of_deviations(sizes)
    return xbar_r_chart(groups, used), freedom_of_ranges(sizes)


def _watch(
    kind: MeasuredChart, pair: ChartPair, size: int, target: float | None
) -> tuple[Chart, Cusum | None]:
    """EWMA or CUSUM of the points around a target."""
    if pair.sigma <= 0:
        raise ValueError(_("the values of the baseline are all alike, so nothing sets limits"))
    centre = pair.level.centre if target is None else target
    error = pair.sigma / float(np.sqrt(size))
    means = pair.level.statistic
    if kind is MeasuredChart.EWMA:
        return ewma_chart(means, centre, error, EWMA_WEIGHT, EWMA_SIGMAS), None
    limit = CUSUM_LIMIT * error
    sums = tabular_cusum(means, centre, CUSUM_SLACK * error, limit)
    line = np.zeros(means.shape)
    drawn = Chart(
        method="CUSUM",
        statistic=sums.high,
        centre=0.0,
        upper=np.full(means.shape, limit),
        lower=np.full(means.shape, -limit),
        outside=np.union1d(sums.outside_high, sums.outside_low).astype(np.intp),
        z=np.full(means.shape, np.nan),
        baseline=pair.level.baseline,
        sigmas=CUSUM_LIMIT,
        centre_line=line,
    )
    return drawn, sums


def sets_few(points: int) -> bool:
    """Whether so few points set the limits that they are uncertain."""
    return points < ENOUGH_POINTS
