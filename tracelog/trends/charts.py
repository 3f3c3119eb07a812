"""Control charts over time: of a machine, a line or the plant, from production or samples."""

from collections.abc import Sequence

from sqlalchemy.orm import Session

from tracelog.errors import TracelogError
from tracelog.json_text import finite
from tracelog.language import _
from tracelog.plant.queries import Directory, PlantView, directory, the_plant
from tracelog.trends.answers import ChartAnswer, ChartPoint
from tracelog.trends.points import PointEvidence, point_evidence
from tracelog.trends.questions import ChartQuestion
from tracelog.trends.rules import (
    PER,
    ChartKind,
    Chosen,
    Evidence,
    chart_cautions,
    drawn_chart,
)
from tracelog.trends.wording import PER_MILLION_STROKES, unit_of


def chart(
    session: Session,
    question: ChartQuestion,
    plant: PlantView | None = None,
    places: Directory | None = None,
) -> ChartAnswer:
    """A control chart with its centre, limits and the points outside.

    Args:
        session: an open session.
        question: which chart; the baseline (all points unless said otherwise, without those
            excluded) sets centre and limits, every point is drawn against them.
        plant, places: if the caller has read them already.

    Returns:
        The chart, without points where there is no evidence at all.

    Raises:
        TracelogError: the evidence does not suit the chart, told at ``chart``; the baseline holds
            nothing, told at ``baseline_from``; too many points, told at ``bucket``.
    """
    plant = plant or the_plant(session)
    places = places or directory(session)
    points = point_evidence(session, plant, places, question)
    if not any(point.exposure for point in points):
        return _empty(question)
    baseline = [_sets_limits(point, question) for point in points]
    counts = [point.count for point in points]
    exposures = [point.exposure for point in points]
    if not any(used and n > 0 for used, n in zip(baseline, exposures, strict=True)):
        raise TracelogError(
            _("holds no point with any evidence; choose a longer baseline"), "baseline_from"
        )
    try:
        chosen = drawn_chart(question.kind, question.evidence, counts, exposures, baseline)
    except ValueError as problem:
        raise TracelogError(str(problem), "chart") from None
    notes = chart_cautions(question.evidence, counts, exposures, baseline)
    return _answer(question, points, chosen, notes)


def _sets_limits(point: PointEvidence, question: ChartQuestion) -> bool:
    if point.start in question.exclude:
        return False
    if question.baseline is None:
        return True
    return question.baseline[0] <= point.start < question.baseline[1]


def _empty(question: ChartQuestion) -> ChartAnswer:
    """A chart of nothing: no points, and the sentence that says so."""
    kind = question.kind
    if kind is ChartKind.AUTO:
        kind = ChartKind.U if question.evidence is Evidence.PRODUCTION else ChartKind.P
    missing = (
        _("no strokes are on record for this choice, so nothing can be drawn")
        if question.evidence is Evidence.PRODUCTION
        else _("no sample is on record for this choice, so nothing can be drawn")
    )
    return ChartAnswer(question, kind, "", unit_of(kind), None, None, (), (missing,))


def _answer(
    question: ChartQuestion, points: Sequence[PointEvidence], chosen: Chosen, notes: list[str]
) -> ChartAnswer:
    unit = unit_of(chosen.kind)
    drawn = chosen.chart
    scale = PER if unit == PER_MILLION_STROKES else 1
    outside = {int(place) for place in drawn.outside}
    return ChartAnswer(
        question=question,
        kind=chosen.kind,
        why=chosen.why,
        unit=unit,
        centre=finite(drawn.centre * scale),
        sigma_z=drawn.sigma_z,
        points=tuple(
            ChartPoint(
                number=place + 1,
                start=point.start,
                end=point.end,
                count=point.count,
                exposure=point.exposure,
                value=finite(drawn.statistic[place] * scale),
                lower=finite(drawn.lower[place] * scale),
                upper=finite(drawn.upper[place] * scale),
                is_outside=place in outside,
                is_baseline=bool(drawn.baseline[place]),
            )
            for place, point in enumerate(points)
        ),
        notes=tuple(notes),
    )
