"""Control charts over time: of a machine, a line or the plant, from production or samples."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.errors import TracelogError
from tracelog.json_text import finite
from tracelog.language import _
from tracelog.plant.queries import Directory, PlantView, directory, the_plant
from tracelog.trends.answers import ChartAnswer, ChartPoint
from tracelog.trends.points import PointEvidence, point_evidence
from tracelog.trends.questions import ChartQuestion
from tracelog.trends.rules import (
    BETWEEN_ENTRIES,
    PER,
    ChartKind,
    Chosen,
    Evidence,
    chart_cautions,
    drawn_chart,
    mean_count,
)
from tracelog.trends.series.choosing import (
    LEAST_GAPS,
    MOST_GAPS,
    between_cautions,
    drawn_between,
    may_be_between,
    rules_caution,
    rules_found,
    too_few_gaps,
)
from tracelog.trends.series.gaps import gap_evidence
from tracelog.trends.series.queries import latest_word, series_asked
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
        question: which chart; the baseline (the frozen one of the series, or all points, unless
            said otherwise; without those excluded) sets centre and limits, every point is drawn
            against them, also where the baseline lies outside the period.
        plant, places: if the caller has read them already.

    Returns:
        The chart, without points where there is no evidence at all.

    Raises:
        TracelogError: the evidence does not suit the chart, told at ``chart``; the baseline holds
            nothing, told at ``baseline_from``; too many points, told at ``bucket``.
    """
    plant = plant or the_plant(session)
    places = places or directory(session)
    frozen = latest_word(session, series_asked(question), question.as_of)
    baseline = question.baseline or (frozen.period if frozen else None)
    asked = replace(question, baseline=baseline)
    counted = _gathered(lambda one: point_evidence(session, plant, places, one), asked)
    if not any(point.exposure for point in counted.shown):
        return replace(_empty(question), baseline=baseline, frozen=frozen)
    notes = []
    if not counted.sets_limits:
        if question.baseline is not None:
            raise TracelogError(
                _("holds no point with any evidence; choose a longer baseline"), "baseline_from"
            )
        notes.append(_("the frozen baseline holds nothing here, so all points set the limits"))
        asked, baseline = replace(asked, baseline=None), None
        counted = replace(counted, first=0, baseline=[True] * len(counted.points))
    try:
        counted, chosen = _drawn(session, places, asked, counted)
    except ValueError as problem:
        raise TracelogError(str(problem), "chart") from None
    notes += _cautions(question, counted, chosen)
    answer = _answer(question, counted, chosen, notes)
    return replace(answer, baseline=baseline, frozen=frozen)


@dataclass(frozen=True)
class _Gathered:
    """What a chart is drawn from: points of a baseline that lies elsewhere, then those shown."""

    points: list[PointEvidence]
    baseline: list[bool]
    first: int = 0

    @property
    def shown(self) -> list[PointEvidence]:
        """The points of the period."""
        return self.points[self.first :]

    @property
    def counts(self) -> list[int]:
        return [point.count for point in self.points]

    @property
    def exposures(self) -> list[int]:
        return [point.exposure for point in self.points]

    @property
    def sets_limits(self) -> bool:
        """Whether anything in the baseline can set the limits."""
        return any(used and n > 0 for used, n in zip(self.baseline, self.exposures, strict=True))


def _gathered(
    read: Callable[[ChartQuestion], list[PointEvidence]], asked: ChartQuestion
) -> _Gathered:
    """The points of a question; those of its baseline before them where it reaches outside."""
    shown = read(asked)
    period = asked.baseline
    if period is None or (asked.start <= period[0] and period[1] <= asked.end):
        return _Gathered(shown, [_sets_limits(point, asked) for point in shown])
    before = read(replace(asked, start=period[0], end=period[1]))
    used = [point.start not in asked.exclude for point in before]
    return _Gathered([*before, *shown], used + [False] * len(shown), len(before))


def _drawn(
    session: Session, places: Directory, asked: ChartQuestion, counted: _Gathered
) -> tuple[_Gathered, Chosen]:
    """The chart asked for, or the one that fits, and what it is drawn from."""
    mean = mean_count(counted.counts, counted.exposures, counted.baseline)
    is_auto = asked.kind is ChartKind.AUTO
    may_be_rare = (
        is_auto
        and may_be_between(asked.evidence, mean)
        and sum(point.count for point in counted.points) <= MOST_GAPS
    )
    if may_be_rare or asked.kind in BETWEEN_ENTRIES:
        gaps = _gathered(lambda one: gap_evidence(session, places, one), asked)
        enough = sum(gaps.baseline) >= LEAST_GAPS and gaps.sets_limits and len(gaps.shown) > 0
        if enough or not is_auto:
            return gaps, drawn_between(asked.kind, gaps.exposures, gaps.baseline, mean)
    chosen = drawn_chart(
        asked.kind, asked.evidence, counted.counts, counted.exposures, counted.baseline
    )
    return counted, chosen


def _cautions(question: ChartQuestion, counted: _Gathered, chosen: Chosen) -> list[str]:
    if chosen.kind in BETWEEN_ENTRIES:
        told = between_cautions(sum(counted.baseline))
    else:
        told = chart_cautions(
            question.evidence, counted.counts, counted.exposures, counted.baseline
        )
        mean = mean_count(counted.counts, counted.exposures, counted.baseline)
        if question.kind is ChartKind.AUTO and may_be_between(question.evidence, mean):
            told.append(too_few_gaps())
    return told + rules_caution(question.rules)


def _sets_limits(point: PointEvidence, question: ChartQuestion) -> bool:
    if point.start in question.exclude:
        return False
    return question.baseline is None or _is_within(point, question.baseline)


def _is_within(point: PointEvidence, period: tuple[datetime, datetime]) -> bool:
    return period[0] <= point.start < period[1]


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
    question: ChartQuestion, counted: _Gathered, chosen: Chosen, notes: list[str]
) -> ChartAnswer:
    unit = unit_of(chosen.kind)
    drawn = chosen.chart
    scale = PER if unit == PER_MILLION_STROKES else 1
    outside = {int(place) for place in drawn.outside}
    rules = rules_found(question.rules, drawn, counted.first)
    return ChartAnswer(
        question=question,
        kind=chosen.kind,
        why=chosen.why,
        unit=unit,
        centre=finite(drawn.centre * scale),
        sigma_z=drawn.sigma_z,
        points=tuple(
            ChartPoint(
                number=place - counted.first + 1,
                start=point.start,
                end=point.end,
                count=point.count,
                exposure=point.exposure,
                value=finite(drawn.statistic[place] * scale),
                lower=finite(drawn.lower[place] * scale),
                upper=finite(drawn.upper[place] * scale),
                is_outside=place in outside,
                is_baseline=bool(drawn.baseline[place]),
                entry=point.entry,
                rules=tuple(one.name for one in rules if place - counted.first in one.places),
            )
            for place, point in enumerate(counted.points)
            if place >= counted.first
        ),
        notes=tuple(notes),
        rules=rules,
    )
