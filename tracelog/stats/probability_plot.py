"""Lives on Weibull paper: there a Weibull distribution is a straight line."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.stats.inputs import FloatArray, Lives, as_lives, as_probability, one_count
from tracelog.stats.kaplan_meier import KaplanMeier, kaplan_meier
from tracelog.stats.lifetimes import Weibull


@dataclass(frozen=True)
class WeibullPlot:
    """Points, fitted line and pointwise band of a Weibull probability plot.

    Across: ages, to be drawn on a logarithmic scale. Upward: depths, ln(-ln(1 - F)), the log of
    the cumulative hazard at which the share F has failed.
    """

    ages: FloatArray
    failed_share: FloatArray
    depths: FloatArray
    line_ages: FloatArray
    line_depths: FloatArray
    low_depths: FloatArray
    high_depths: FloatArray
    confidence: float


def depth_of(share: npt.ArrayLike) -> FloatArray:
    """Where a share that has failed lies on Weibull paper: ln(-ln(1 - share)).

    Args: share: between 0 and 1.
    Raises: ValueError naming the argument.
    Source: Nelson (1982), Applied Life Data Analysis, ch. 3.
    Example: half of the parts: -0.3665.
    """
    values = np.asarray(share, dtype=np.float64)
    if not ((values > 0) & (values < 1)).all():
        raise ValueError("share must lie between 0 and 1")
    return np.asarray(np.log(-np.log1p(-values)), dtype=np.float64)


def weibull_plot(
    fit: Weibull,
    ages: npt.ArrayLike,
    failed: npt.ArrayLike,
    entries: npt.ArrayLike | None = None,
    *,
    confidence: float = 0.95,
    steps: int = 48,
) -> WeibullPlot:
    """Plot positions of the failures, the fitted line, and its pointwise band.

    Formula: at each age with a failure F = 1 - (S just before + S just after) / 2, S the
    Kaplan-Meier estimate; without censoring that is (i - 1/2) / n. Where all lives begin in
    mid-life, S starts from what the fit gives for the age at which the first of them begins; where
    all that were at risk failed early, from the age at which that happened. The band holds, at each
    age, the profile-likelihood interval of the share failed.

    Args: fit: of these lives. ages, failed, entries: as `fit_weibull`. confidence: of the band.
        steps: at how many ages line and band are given.
    Raises: ValueError naming the argument.
    Source: Meeker and Escobar (1998), Statistical Methods for Reliability Data, ch. 6, 8 and 11.
    Example: 20 units with 10 failures in 500 hours: the first, at 54 hours, lies at 0.025.
    """
    lives = as_lives(ages, failed, entries)
    count = one_count("steps", steps, least=2)
    as_probability("confidence", confidence)
    curve = _whole_curve(lives)
    before = np.concatenate([[1.0], curve.survival[:-1]])
    reached = float(fit.survival(curve.begins)) if curve.begins > 0 else 1.0
    share = 1 - reached * (before + curve.survival) / 2
    ends = _reach(fit, curve.ages)
    line = np.linspace(*ends, count)
    low, high = fit.region(confidence).depths(line)
    return WeibullPlot(
        ages=curve.ages,
        failed_share=share,
        depths=depth_of(np.clip(share, 1e-12, 1 - 1e-12)),
        line_ages=np.exp(line),
        line_depths=fit.shape * (line - math.log(fit.scale)),
        low_depths=low,
        high_depths=high,
        confidence=confidence,
    )


def _whole_curve(lives: Lives) -> KaplanMeier:
    """The estimate from the last age on at which it did not come to 0 with others still ahead."""
    curve = kaplan_meier(lives.ages, lives.failed, lives.entries)
    emptied = np.flatnonzero((curve.at_risk == curve.failures)[:-1])
    if not emptied.size:
        return curve
    begins = float(curve.ages[emptied[-1]])
    kept = lives.ages > begins
    entries = np.maximum(lives.entries[kept], begins)
    return kaplan_meier(lives.ages[kept], lives.failed[kept], entries)


def _reach(fit: Weibull, ages: FloatArray) -> tuple[float, float]:
    """Log ages between which the line is drawn: all failures, and from 1 % to 99 % failed."""
    spread = [math.log(fit.scale) + math.log(-math.log1p(-p)) / fit.shape for p in (0.01, 0.99)]
    return min(spread[0], math.log(ages[0])), max(spread[1], math.log(ages[-1]))
