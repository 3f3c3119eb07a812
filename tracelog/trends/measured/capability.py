"""How measured values compare with their specification limits. Pure: values in, values out."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.language import _, figure
from tracelog.stats.capability import capability, cp_interval, cpk_interval
from tracelog.stats.intervals import binomial_interval
from tracelog.stats.normality import (
    MOST_TESTED,
    Histogram,
    NormalPlot,
    histogram,
    normal_plot,
    normal_tails,
    shapiro_wilk,
)
from tracelog.trends.measured.limits import Limits

# From this p-value on nothing speaks against a normal distribution. Common practice, no source.
LEAST_P = 0.05
# Fewer values say too little for an index. Common practice, no source.
LEAST_VALUES = 20


@dataclass(frozen=True)
class Index:
    """One capability index with its 95 % interval; all None where it needs a limit not given."""

    name: str
    value: float | None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class CapabilityView:
    """What is said of values and limits.

    `indices` are empty where they would mean little, and `why_not` then says why. Shares are
    between 0 and 1: `outside` was counted, with its exact 95 % interval; `expected_below` and
    `expected_above` are what a normal distribution would have. `normal_p` is None where it was
    not tested. On the logarithmic scale `mean` and `sigma` are of logarithms.
    """

    limits: Limits
    values: int
    mean: float
    sigma_within: float
    sigma_overall: float
    is_log: bool
    indices: tuple[Index, ...]
    why_not: str
    outside: int
    outside_low: float
    outside_high: float
    expected_below: float | None
    expected_above: float | None
    normal_p: float | None
    normal_says: str
    bars: Histogram
    plot: NormalPlot | None


def capability_of(
    plain: Sequence[float],
    limits: Limits,
    sigma_within: float,
    freedom: float,
    *,
    is_log: bool,
    is_stable: bool,
) -> CapabilityView:
    """Capability of values that were charted.

    Args:
        plain: the values, in their own unit.
        limits: in the same unit.
        sigma_within: standard deviation within points, of logarithms where `is_log`.
        freedom: degrees of freedom that it is worth.
        is_log: whether the values were charted as their logarithms.
        is_stable: whether nothing on the chart speaks against one steady process.
    """
    own = np.asarray(plain, dtype=np.float64)
    x = np.log(own) if is_log else own
    low, high = _on_scale(limits.lower, is_log), _on_scale(limits.upper, is_log)
    # The deviation of values that are all alike is not quite 0 in binary.
    overall = float(x.std(ddof=1)) if np.ptp(x) > 0 else 0.0
    mean = float(x.mean())
    has_limit = low is not None or high is not None
    why_not = _why_not(has_limit, x.size, min(overall, sigma_within), is_stable=is_stable)
    outside = _outside(own, limits)
    seen = binomial_interval(outside, x.size)
    expected = None if why_not else normal_tails(mean, overall, low, high)
    p = shapiro_wilk(x) if overall > 0 and 3 <= x.size <= MOST_TESTED else None
    return CapabilityView(
        limits=limits,
        values=int(x.size),
        mean=mean,
        sigma_within=sigma_within,
        sigma_overall=overall,
        is_log=is_log,
        indices=()
        if why_not
        else _indices(mean, sigma_within, overall, low, high, freedom, x.size),
        why_not=why_not,
        outside=outside,
        outside_low=seen.low,
        outside_high=seen.high,
        expected_below=expected.below if expected and low is not None else None,
        expected_above=expected.above if expected and high is not None else None,
        normal_p=p,
        normal_says=_normal_says(p, x.size, is_log=is_log),
        bars=histogram(own),
        plot=normal_plot(x) if x.size > 2 and overall > 0 else None,
    )


def _outside(values: npt.NDArray[np.float64], limits: Limits) -> int:
    below = 0 if limits.lower is None else int((values < limits.lower).sum())
    above = 0 if limits.upper is None else int((values > limits.upper).sum())
    return below + above


def _on_scale(limit: float | None, is_log: bool) -> float | None:
    if not is_log or limit is None:
        return limit
    # A limit at or below 0 is none for a figure that is always above it.
    return math.log(limit) if limit > 0 else None


def _why_not(has_limit: bool, values: int, sigma: float, *, is_stable: bool) -> str:
    if not has_limit:
        return _("there is no specification limit to compare with; enter the plant's own")
    if sigma <= 0:
        return _("the values are all alike, so there is no spread to compare")
    if values < LEAST_VALUES:
        return _(
            "%(values)d values say too little about capability; at least %(least)d are needed",
            values=values,
            least=LEAST_VALUES,
        )
    if not is_stable:
        return _(
            "the chart is not in control, so capability means little: no index foretells a process"
            " that moves; find what the marked points have in common first"
        )
    return ""


def _indices(
    mean: float,
    within: float,
    overall: float,
    lower: float | None,
    upper: float | None,
    freedom: float,
    values: int,
) -> tuple[Index, ...]:
    """Cp and Cpk from the spread within points, Pp and Ppk from that of all values."""
    found: list[Index] = []
    # The intervals take a number of values, which is one more than the degrees of freedom.
    worth = max(round(freedom) + 1, 2)
    for names, sigma, size in ((("Cp", "Cpk"), within, worth), (("Pp", "Ppk"), overall, values)):
        known = capability(mean, sigma, lower, upper)
        if math.isnan(known.cp):
            found.append(Index(names[0], None))
        else:
            around = cp_interval(known.cp, size)
            found.append(Index(names[0], known.cp, around.low, around.high))
        near = cpk_interval(known.cpk, size)
        found.append(Index(names[1], known.cpk, near.low, near.high))
    return tuple(found)


def _normal_says(p: float | None, values: int, *, is_log: bool) -> str:
    what = _("the logarithms of the values") if is_log else _("the values")
    if p is None:
        return _("whether %(what)s are normal was not tested", what=what)
    if p < LEAST_P:
        return _(
            "%(what)s do not look normal (Shapiro and Wilk, 1965: p %(p)s, %(values)d values), so"
            " what is expected outside is not to be relied on; look at the probability plot",
            what=what,
            p=_("under 0.001") if p < 0.001 else figure(p, ".2g"),
            values=values,
        )
    return _(
        "nothing speaks against a normal distribution of %(what)s (Shapiro and Wilk, 1965: p"
        " %(p).2g, %(values)d values), which proves little far out",
        what=what,
        p=p,
        values=values,
    )
