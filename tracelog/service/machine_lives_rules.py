"""Do machines fail more often the further they are from their last overhaul? Pure decisions."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from tracelog.service.rules import Level
from tracelog.stats.intervals import Interval
from tracelog.stats.lifetimes import ExponentialLife, exponential_life, fit_weibull
from tracelog.stats.repairable import PowerLaw, mean_cumulative_failures, power_law_process

CONFIDENCE = 0.95
# A trend is told where chance alone would give such a one less often: usual practice.
LEAST_P = 0.05
# Fewer gaps between unplanned services say nothing of their form: common practice, no source.
FEWEST_GAPS = 5


class Trend(StrEnum):
    """Whether unplanned services come faster with strokes since the overhaul."""

    WORSE = "more often"
    BETTER = "less often"
    NONE_SHOWN = "no trend shown"
    TOO_FEW = "too few"


@dataclass(frozen=True)
class Run:
    """A machine from one overhaul to the next, or to now.

    Attributes:
        machine: as text.
        strokes: made in it.
        failures: strokes since the overhaul at each unplanned service.
    """

    machine: str
    strokes: int
    failures: tuple[int, ...]


@dataclass(frozen=True)
class Gap:
    """Strokes of a machine up to an unplanned service, or to now.

    `failed`: an unplanned service ended it. `from_failure`: one began it; else it began with the
    first reading.
    """

    strokes: int
    failed: bool
    from_failure: bool


@dataclass(frozen=True)
class RunFigures:
    """What the runs of all machines say together.

    Attributes:
        trend: the answer.
        runs: how many, with at least one stroke.
        failures: unplanned services in them.
        law: the power-law process; None: fewer than two failures.
        shape: its shape with the interval of 95 %; above 1 means more often.
        steps: strokes since the overhaul and mean number of unplanned services by then.
        thirds: expected unplanned services per 100 million strokes in the first and the last
            third of the longest run.
    """

    trend: Trend
    runs: int
    failures: int
    law: PowerLaw | None = None
    shape: Interval[float] | None = None
    steps: tuple[tuple[float, float], ...] = ()
    thirds: tuple[float, float] | None = None


@dataclass(frozen=True)
class GapFigures:
    """Strokes between unplanned services of a machine.

    Attributes:
        failures: how many unplanned services.
        mean: mean strokes between them with its exact interval of 95 %, if they come by chance;
            None: no strokes at all.
        shape: of the gaps from one unplanned service to the next; below 1 they come in clusters;
            None: too few.
    """

    failures: int
    mean: ExponentialLife | None
    shape: Interval[float] | None


def highest_level(levels: Sequence[Level], station: str) -> Level | None:
    """The level of a station with the longest interval: the overhaul.

    Args:
        levels: of all stations.
        station: which.
    """
    own = [
        one
        for one in levels
        if one.station == station and (one.interval_strokes or one.interval_days)
    ]
    return max(
        own,
        key=lambda one: (one.interval_strokes or 0, one.interval_days or 0, one.service),
        default=None,
    )


def run_figures(runs: Sequence[Run]) -> RunFigures:
    """Pool the runs of alike machines: does it get worse with strokes since the overhaul?

    The test is that of MIL-HDBK-189, with the age in strokes since the last overhaul. It assumes
    that an unplanned service mends what failed and leaves the machine as old as it was, and that
    an overhaul makes it as new.

    Args:
        runs: of all machines; those without a stroke say nothing.
    """
    known = [one for one in runs if one.strokes > 0]
    # An unplanned service before the first stroke tells of the overhaul, not of wear.
    failures = [[float(age) for age in one.failures if age > 0] for one in known]
    count = sum(map(len, failures))
    if not count:
        return RunFigures(Trend.TOO_FEW, len(known), 0)
    ends = [float(one.strokes) for one in known]
    ages, mean = mean_cumulative_failures(failures, ends)
    steps = tuple(zip(ages.tolist(), mean.tolist(), strict=True))
    try:
        law = power_law_process(failures, ends)
    except ValueError:
        # A single failure, or all at the end of their runs: no trend can be told.
        return RunFigures(Trend.TOO_FEW, len(known), count, steps=steps)
    shape = law.shape_interval(CONFIDENCE)
    trend = Trend.NONE_SHOWN
    if law.p_value < LEAST_P:
        trend = Trend.WORSE if law.shape > 1 else Trend.BETTER
    return RunFigures(trend, len(known), count, law, shape, steps, _thirds(law, max(ends)))


def _thirds(law: PowerLaw, longest: float) -> tuple[float, float]:
    by = law.expected([longest / 3, 2 * longest / 3, longest])
    a_third = longest / 3 / 1e8
    return float(by[0]) / a_third, float(by[2] - by[1]) / a_third


def gap_figures(gaps: Sequence[Gap]) -> GapFigures:
    """Mean strokes between unplanned services, and whether they come in clusters.

    Args:
        gaps: of all machines.
    """
    known = [one for one in gaps if one.strokes > 0]
    failures = sum(one.failed for one in known)
    if not known:
        return GapFigures(failures, None, None)
    ages = [float(one.strokes) for one in known]
    mean = exponential_life(ages, [one.failed for one in known], confidence=CONFIDENCE)
    between = [one for one in known if one.from_failure]
    if sum(one.failed for one in between) < FEWEST_GAPS:
        return GapFigures(failures, mean, None)
    try:
        fit = fit_weibull([float(one.strokes) for one in between], [one.failed for one in between])
    except ValueError:
        # All of them as long as the longest watch: no form fits.
        return GapFigures(failures, mean, None)
    return GapFigures(failures, mean, fit.shape_interval(CONFIDENCE))
