"""Every machine's or line's rate against its strokes, with limits from the plant's own spread."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from sqlalchemy.orm import Session

from tracelog.json_text import finite
from tracelog.language import _, figure
from tracelog.plant.queries import Directory, PlantView
from tracelog.stats.funnel import funnel_limits
from tracelog.stats.overdispersion import Dispersion, poisson_overdispersion
from tracelog.stats.shrinkage import GammaPoisson, gamma_poisson
from tracelog.trends.answers import RateRow
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rates import rates
from tracelog.trends.rules import PER

# Chance beyond a limit on each side. Source: Spiegelhalter (2005), Statistics in Medicine
# 24:1185-1202, who draws two and three standard deviations, about 95 % and 99.8 %.
INNER_TAIL, OUTER_TAIL = 0.025, 0.001
# Levels of the sentence on differences; common practice, no source.
SURE, PERHAPS = 0.01, 0.05
# Below this mean count the dispersion test is rough; common practice, no source.
LEAST_EXPECTED = 5.0
# A spread fitted to fewer than this is little more than a guess; common practice, no source.
FEW = 5
CURVE_POINTS = 96


class Place(StrEnum):
    """Where a rate lies in the funnel."""

    FAR_ABOVE = "far-above"
    ABOVE = "above"
    WITHIN = "within"
    BELOW = "below"
    FAR_BELOW = "far-below"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class FunnelRow:
    """One machine or line; limits are per million strokes, None where it made no stroke."""

    rate: RateRow
    place: Place
    shrunk: float | None
    probability_worst: float | None
    inner: tuple[float, float] | None
    outer: tuple[float, float] | None


@dataclass(frozen=True)
class FunnelCurve:
    """Limits along a row of exposures, per million strokes; `chance` without any spread."""

    exposures: tuple[float, ...]
    inner_low: tuple[float, ...]
    inner_high: tuple[float, ...]
    outer_low: tuple[float, ...]
    outer_high: tuple[float, ...]
    chance_low: tuple[float, ...]
    chance_high: tuple[float, ...]


@dataclass(frozen=True)
class FunnelAnswer:
    """A funnel: rows with the highest shrunk rate first, then those that made no stroke.

    `mean` is the mean of the fitted rates per million strokes, `spread` their standard deviation
    over that mean (0: none shown), `dispersion_p` the chance of so much difference by chance
    alone; all None where there are fewer than two to compare.
    """

    question: RateQuestion
    rows: tuple[FunnelRow, ...]
    mean: float | None
    spread: float | None
    dispersion_p: float | None
    curve: FunnelCurve | None
    says: str
    notes: tuple[str, ...]


def funnel_of(
    session: Session, asked: RateQuestion, plant: PlantView, places: Directory
) -> FunnelAnswer:
    """The funnel of a question: rates from running production by machine or line.

    The statements are those of `rates`.

    Raises:
        TracelogError: as `rates`.
    """
    answer = rates(session, asked, plant, places)
    compared = [row for row in answer.rows if row.exposure > 0]
    idle = [row for row in answer.rows if row.exposure <= 0]
    blank = [FunnelRow(row, Place.UNKNOWN, None, None, None, None) for row in idle]
    if len(compared) < 2:
        alone = [FunnelRow(row, Place.WITHIN, None, None, None, None) for row in compared]
        says = _("There is nothing to compare: fewer than two made strokes in this period.")
        return FunnelAnswer(asked, (*alone, *blank), None, None, None, None, says, answer.notes)
    counts = [row.counted for row in compared]
    exposures = [row.exposure for row in compared]
    model = gamma_poisson(counts, exposures)
    dispersion = poisson_overdispersion(counts, exposures)
    rows = sorted(_placed(compared, model), key=lambda row: -(row.shrunk or 0.0))
    notes = (*answer.notes, *_cautions(len(compared), sum(counts) / len(counts)))
    return FunnelAnswer(
        question=asked,
        rows=(*rows, *blank),
        mean=finite(model.mean * PER),
        spread=0.0 if math.isinf(model.shape) else finite(1 / math.sqrt(model.shape)),
        dispersion_p=finite(dispersion.p_value),
        curve=_curve(max(exposures), model),
        says=_verdict(sum(counts), model, dispersion),
        notes=notes,
    )


def _placed(rows: Sequence[RateRow], model: GammaPoisson) -> list[FunnelRow]:
    exposures = [row.exposure for row in rows]
    inner = funnel_limits(exposures, model.mean, model.shape, INNER_TAIL)
    outer = funnel_limits(exposures, model.mean, model.shape, OUTER_TAIL)
    placed = []
    for index, row in enumerate(rows):
        near = (float(inner.low[index]) * PER, float(inner.high[index]) * PER)
        far = (float(outer.low[index]) * PER, float(outer.high[index]) * PER)
        placed.append(
            FunnelRow(
                rate=row,
                place=place_in(row.counted / row.exposure * PER, near, far),
                shrunk=finite(model.rates[index] * PER),
                probability_worst=finite(model.probability_worst[index]),
                inner=near,
                outer=far,
            )
        )
    return placed


def place_in(rate: float, inner: tuple[float, float], outer: tuple[float, float]) -> Place:
    """Where a rate lies between its limits.

    Example:
        >>> place_in(7.0, (2.0, 6.0), (1.0, 8.0)).value
        'above'
    """
    if rate > outer[1]:
        return Place.FAR_ABOVE
    if rate > inner[1]:
        return Place.ABOVE
    if rate < outer[0]:
        return Place.FAR_BELOW
    return Place.BELOW if rate < inner[0] else Place.WITHIN


def _curve(longest: int, model: GammaPoisson) -> FunnelCurve:
    # Closer together where the limits bend most.
    along = [1.06 * longest * ((step + 1) / CURVE_POINTS) ** 2 for step in range(CURVE_POINTS)]

    def per_million(shape: float, tail: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
        found = funnel_limits(along, model.mean, shape, tail)
        return tuple((found.low * PER).tolist()), tuple((found.high * PER).tolist())

    return FunnelCurve(
        tuple(along),
        *per_million(model.shape, INNER_TAIL),
        *per_million(model.shape, OUTER_TAIL),
        *per_million(math.inf, OUTER_TAIL),
    )


def _verdict(total: int, model: GammaPoisson, dispersion: Dispersion) -> str:
    if total == 0:
        return _("Nothing was reported, so nothing tells them apart.")
    chance = _("%(p)s", p=figure(dispersion.p_value, ".2g"))
    if dispersion.p_value <= SURE:
        return _(
            "They differ beyond chance: equal rates would spread their figures this far with"
            " probability %(p)s.",
            p=chance,
        )
    if dispersion.p_value <= PERHAPS and not model.pooled:
        return _(
            "They may differ: equal rates would spread their figures this far with probability"
            " %(p)s, which is little but not proof.",
            p=chance,
        )
    return _(
        "These figures show no difference beyond chance: equal rates would spread them this far"
        " with probability %(p)s.",
        p=chance,
    )


def _cautions(compared: int, mean_count: float) -> tuple[str, ...]:
    notes = []
    if compared < FEW:
        notes.append(
            _("the spread of so few is hardly known, so the limits are only a rough guide")
        )
    if mean_count < LEAST_EXPECTED:
        notes.append(_("with fewer than five reports each, the probability of chance is rough"))
    return tuple(notes)


def place_words(place: Place) -> str:
    """Where a rate lies in the funnel, for people."""
    words = {
        Place.FAR_ABOVE: _("above the outer limit"),
        Place.ABOVE: _("above the inner limit"),
        Place.WITHIN: _("within the limits"),
        Place.BELOW: _("below the inner limit"),
        Place.FAR_BELOW: _("below the outer limit"),
        Place.UNKNOWN: _("no strokes, no rate"),
    }
    return words[place]
