"""What a gauge study says: how much of the spread is the gauge's own. Pure."""

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from tracelog.language import _, figure
from tracelog.stats.gauge import GaugeStudy, gauge_study
from tracelog.stats.gauge_table import VarianceRow, variance_table
from tracelog.trends.measured.limits import Limits

# From this p-value on the interaction is pooled with the error. Measurement Systems Analysis, 4th
# ed. (AIAG), from memory.
POOL_ABOVE = 0.25
# Study variation is six sigmas wide, which hold 99.73 % of a normal distribution (the same).
STUDY_SIGMAS = 6.0
# The number of distinct categories is 1.41 times parts over gauge, cut off (the same).
CATEGORY_FACTOR = 1.41
ENOUGH_CATEGORIES = 5
# Shares of the study or the tolerance that are called good and too much (the same).
GOOD_PERCENT = 10.0
BAD_PERCENT = 30.0


@dataclass(frozen=True)
class GaugeValue:
    """One reading of a gauge study."""

    characteristic: str
    unit: str | None
    part: str
    appraiser: str
    trial: int
    value: float
    measured_at: datetime


class UnfitStudy(ValueError):
    """The readings make no crossed, balanced study; the message is the sentence to show."""


@dataclass(frozen=True)
class Component:
    """One source of spread; percentages are of study variation and of tolerance (None: no limits).

    Shares of variance add up, shares of study variation do not.
    """

    name: str
    variance: float
    variance_share: float
    sigma: float
    study_variation: float
    percent_of_study: float
    percent_of_tolerance: float | None


@dataclass(frozen=True)
class GaugeResult:
    """A gauge study worked out.

    `pooled`: whether the interaction was pooled with the error, and `pooled_because` why or why
    not. `categories` is None where the gauge adds no spread at all.
    """

    characteristic: str
    unit: str | None
    parts: tuple[str, ...]
    appraisers: tuple[str, ...]
    trials: int
    values: npt.NDArray[np.float64]
    limits: Limits
    table: tuple[VarianceRow, ...]
    components: tuple[Component, ...]
    pooled: bool
    pooled_because: str
    categories: int | None
    says: tuple[str, ...]


def gauge_result(readings: Sequence[GaugeValue], limits: Limits) -> GaugeResult:
    """The analysis of variance of one characteristic's readings.

    Args:
        readings: of one characteristic.
        limits: its specification, for the share of the tolerance.

    Raises:
        UnfitStudy: they are of two units, or not every appraiser measured every part equally often.
    """
    units = {one.unit for one in readings}
    if len(units) > 1:
        named = ", ".join(sorted(unit or _("none") for unit in units))
        raise UnfitStudy(_("the readings are in several units: %(units)s", units=named))
    parts, appraisers, values = _crossed(readings)
    free = gauge_study(values)
    pooled = free.p_interaction > POOL_ABOVE
    study = gauge_study(values, POOL_ABOVE) if pooled else free
    shape = (len(parts), len(appraisers), values.shape[2])
    components = _components(study, limits, pooled=pooled)
    categories = _categories(study)
    return GaugeResult(
        characteristic=readings[0].characteristic,
        unit=readings[0].unit,
        parts=parts,
        appraisers=appraisers,
        trials=shape[2],
        values=values,
        limits=limits,
        table=variance_table(free, *shape, pooled=pooled),
        components=components,
        pooled=pooled,
        pooled_because=_pooled_because(free, pooled=pooled),
        categories=categories,
        says=_says(components, categories, shape),
    )


def _crossed(
    readings: Sequence[GaugeValue],
) -> tuple[tuple[str, ...], tuple[str, ...], npt.NDArray[np.float64]]:
    """Parts, appraisers, and values of shape (parts, appraisers, trials)."""
    cells: dict[tuple[str, str], list[tuple[int, float]]] = defaultdict(list)
    for one in readings:
        cells[one.part, one.appraiser].append((one.trial, one.value))
    parts = tuple(sorted({part for part, _appraiser in cells}, key=_natural))
    appraisers = tuple(sorted({appraiser for _part, appraiser in cells}, key=_natural))
    if len(parts) < 2 or len(appraisers) < 2:
        raise UnfitStudy(
            _(
                "%(parts)d parts and %(appraisers)d appraisers are too few: at least 2 of each are"
                " needed, and 10 parts, 3 appraisers and 2 or 3 trials are usual",
                parts=len(parts),
                appraisers=len(appraisers),
            )
        )
    sizes = Counter(len(cell) for cell in cells.values())
    usual = max(sizes, key=lambda size: (sizes[size], size))
    for part in parts:
        for appraiser in appraisers:
            found = len(cells.get((part, appraiser), []))
            if found != usual or usual < 2:
                raise UnfitStudy(_uneven(part, appraiser, found, max(usual, 2)))
    values = [
        [[value for _trial, value in sorted(cells[part, one])] for one in appraisers]
        for part in parts
    ]
    return parts, appraisers, np.array(values, dtype=np.float64)


def _uneven(part: str, appraiser: str, found: int, usual: int) -> str:
    return _(
        "part %(part)s has %(found)d readings by %(appraiser)s, not %(usual)d: every appraiser must"
        " measure every part equally often, at least twice",
        part=part,
        appraiser=appraiser,
        found=found,
        usual=usual,
    )


def _natural(text: str) -> tuple[int, str]:
    """Numbers in their own order, before words."""
    is_number = text.isascii() and text.isdecimal() and len(text) < 10
    return (int(text), text) if is_number else (10**10, text)


def _components(study: GaugeStudy, limits: Limits, *, pooled: bool) -> tuple[Component, ...]:
    total = study.variance_gauge + study.variance_parts
    tolerance = None
    if limits.lower is not None and limits.upper is not None:
        tolerance = limits.upper - limits.lower
    reproducibility = study.variance_operators + study.variance_interaction
    variances = [
        ("gauge", study.variance_gauge),
        ("repeatability", study.variance_repeatability),
        ("reproducibility", reproducibility),
        ("appraisers", study.variance_operators),
    ]
    if not pooled:
        variances.append(("interaction", study.variance_interaction))
    variances += [("parts", study.variance_parts), ("total", total)]
    return tuple(_component(name, variance, total, tolerance) for name, variance in variances)


def _component(name: str, variance: float, total: float, tolerance: float | None) -> Component:
    sigma = math.sqrt(variance)
    return Component(
        name=name,
        variance=variance,
        variance_share=variance / total if total > 0 else 0.0,
        sigma=sigma,
        study_variation=STUDY_SIGMAS * sigma,
        percent_of_study=100 * sigma / math.sqrt(total) if total > 0 else 0.0,
        percent_of_tolerance=100 * STUDY_SIGMAS * sigma / tolerance if tolerance else None,
    )


def _categories(study: GaugeStudy) -> int | None:
    """How many groups of parts the gauge tells apart, at least one; None: any number."""
    if study.variance_gauge <= 0:
        return None
    found = CATEGORY_FACTOR * math.sqrt(study.variance_parts / study.variance_gauge)
    return max(1, math.floor(found))


def _pooled_because(study: GaugeStudy, *, pooled: bool) -> str:
    p = figure(study.p_interaction, ".3f") if study.p_interaction >= 0.001 else _("under 0.001")
    if pooled:
        return _(
            "The interaction of appraisers and parts is pooled with the error: its p-value,"
            " %(p)s, is above %(limit)g, so nothing says that appraisers differ from part to part.",
            p=p,
            limit=POOL_ABOVE,
        )
    return _(
        "The interaction of appraisers and parts is kept: its p-value, %(p)s, is not above"
        " %(limit)g, so appraisers may differ from part to part.",
        p=p,
        limit=POOL_ABOVE,
    )


def _says(
    components: Sequence[Component], categories: int | None, shape: tuple[int, int, int]
) -> tuple[str, ...]:
    gauge = components[0]
    told = [_judged(_("of the study's spread"), gauge.percent_of_study)]
    if gauge.percent_of_tolerance is not None:
        told.append(_judged(_("of the tolerance"), gauge.percent_of_tolerance))
    if categories is not None:
        told.append(
            _(
                "It tells %(categories)d groups of these parts apart; %(enough)d or more are"
                " wanted.",
                categories=categories,
                enough=ENOUGH_CATEGORIES,
            )
        )
    if shape[0] < 10 or shape[1] < 3:
        told.append(
            _(
                "%(parts)d parts and %(appraisers)d appraisers are few: 10 parts and 3 appraisers"
                " are usual, and with fewer the shares are very uncertain.",
                parts=shape[0],
                appraisers=shape[1],
            )
        )
    return tuple(told)


def _judged(of: str, percent: float) -> str:
    if percent < GOOD_PERCENT:
        word = _("under 10 %, which is generally called good")
    elif percent <= BAD_PERCENT:
        word = _("between 10 and 30 %, which may do, depending on what hangs on it")
    else:
        word = _("over 30 %, which is generally called too much")
    return _(
        "The gauge takes %(percent)s %% %(of)s: %(word)s.",
        percent=figure(percent, ".1f"),
        of=of,
        word=word,
    )
