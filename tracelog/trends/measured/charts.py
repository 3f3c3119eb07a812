"""Charts of measured values: of a machine, a line or the plant, with their capability."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from sqlalchemy.orm import Session

from tracelog.errors import TracelogError
from tracelog.json_text import finite
from tracelog.language import _
from tracelog.plant.queries import Directory
from tracelog.reference import characteristic_named
from tracelog.reference_rows import Characteristic
from tracelog.trends.measured.answers import MeasureAnswer, MeasurePoint
from tracelog.trends.measured.capability import CapabilityView, capability_of
from tracelog.trends.measured.cautions import cautions
from tracelog.trends.measured.limits import Limits, limits_of
from tracelog.trends.measured.queries import MeasuredValue, measured_values
from tracelog.trends.measured.questions import MeasureQuestion
from tracelog.trends.measured.rules import (
    Drawn,
    MeasuredChart,
    Scale,
    Single,
    Taken,
    drawn_chart,
    fitting_kind,
    points_of,
    taken_together,
)
from tracelog.trends.questions import MOST_POINTS
from tracelog.trends.series.choosing import RuleFound, rules_found
from tracelog.trends.series.queries import FrozenBaselineView, latest_word
from tracelog.trends.series.rules import SeriesEvidence, SeriesKey

# More are not read at once: a chart of so many could not be read either.
MOST_VALUES = 20_000


@dataclass(frozen=True)
class _Gathered:
    """The values of a question, of one unit, in order of time."""

    values: tuple[Single, ...]
    unit: str | None
    in_other_units: int


def measured_chart(session: Session, question: MeasureQuestion, places: Directory) -> MeasureAnswer:
    """A chart of measured values with limits, marked points and capability. Two statements.

    Args:
        session: an open session.
        question: which chart; the baseline (the frozen one of the series, or all points, unless
            said otherwise) sets centre and limits.
        places: lines and machines.

    Returns:
        The chart, without points where nothing was measured.

    Raises:
        TracelogError: the values do not suit the chart, told at ``chart`` or ``scale``; a baseline
            that holds nothing, at ``baseline_from``; too many values, at ``from``; limits that
            contradict each other, at one of them.
    """
    frozen = _frozen(session, question)
    baseline = question.baseline or (frozen.period if frozen else None)
    gathered = _gathered(session, question, places, baseline)
    known = characteristic_named(question.characteristic)
    limits = limits_of(question.lower, question.target, question.upper, known, gathered.unit)
    shown = [one for one in gathered.values if question.start <= one.at < question.end]
    if not shown:
        return _empty(question, gathered, limits)
    notes: list[str] = []
    if baseline and not any(baseline[0] <= one.at < baseline[1] for one in gathered.values):
        if question.baseline is not None:
            raise TracelogError(_("holds no value; choose another baseline"), "baseline_from")
        notes.append(_("the frozen baseline holds no value, so all points set the limits"))
        baseline, gathered = None, replace(gathered, values=tuple(shown))
    is_log = _is_log(question, known, gathered)
    drawn = _drawn(question, gathered, known, baseline, is_log=is_log)
    notes += _torn_apart(drawn, shown)
    answer = _answer(question, places, drawn, gathered.unit, limits, is_log=is_log)
    told = cautions(answer, drawn, known, gathered.in_other_units)
    return replace(
        answer,
        notes=(*notes, *told),
        baseline=baseline,
        frozen=frozen if baseline is not None and question.baseline is None else None,
        capability=_capability(answer, drawn, is_log=is_log),
    )


def _torn_apart(drawn: Drawn, shown: Sequence[Single]) -> list[str]:
    """What it costs to chart values one by one that were taken together."""
    if drawn.kind is not MeasuredChart.INDIVIDUALS or not any(one.subgroup for one in shown):
        return []
    return [
        _(
            "values that were taken together stand beside each other here and are more alike than"
            " others, which draws the limits too narrow; the X-bar charts allow for that"
        )
    ]


def _frozen(session: Session, question: MeasureQuestion) -> FrozenBaselineView | None:
    machine = question.machine
    series = SeriesKey(
        None if machine is None else machine.id,
        question.line if machine is None else None,
        SeriesEvidence.MEASUREMENTS,
        question.characteristic,
    )
    return latest_word(session, series, question.as_of)


def _gathered(
    session: Session,
    question: MeasureQuestion,
    places: Directory,
    baseline: tuple[datetime, datetime] | None,
) -> _Gathered:
    if question.machine is not None:
        machines = [question.machine.id]
    elif question.line is not None:
        machines = [one.id for one in places.machines.values() if one.line == question.line]
    else:
        machines = None
    periods = [(question.start, question.end), *([baseline] if baseline else [])]
    found = measured_values(
        *(session, question.characteristic, periods, machines, question.as_of),
        most=MOST_VALUES + 1,
    )
    if len(found) > MOST_VALUES:
        sentence = _(
            "holds more than %(most)d values; choose a shorter period or one machine",
            most=MOST_VALUES,
        )
        raise TracelogError(sentence, "from")
    return _of_one_unit(found)


def _of_one_unit(found: Sequence[MeasuredValue]) -> _Gathered:
    """Values of the most frequent unit; figures in two units make no chart."""
    units = Counter(one.unit for one in found)
    unit = max(units, key=lambda one: (units[one], one or ""), default=None)
    kept = tuple(
        Single(one.machine_id, one.measured_at, one.value, one.subgroup)
        for one in found
        if one.unit == unit
    )
    return _Gathered(kept, unit, len(found) - len(kept))


def _is_log(question: MeasureQuestion, known: Characteristic | None, gathered: _Gathered) -> bool:
    above = all(one.value > 0 for one in gathered.values)
    if question.scale is Scale.LOG and not above:
        raise TracelogError(
            _("some value is not above 0, so it has no logarithm; choose plain"), "scale"
        )
    if question.scale is Scale.AUTO:
        return known is not None and known.shape == "skewed" and above
    return question.scale is Scale.LOG


def _drawn(
    question: MeasureQuestion,
    gathered: _Gathered,
    known: Characteristic | None,
    baseline: tuple[datetime, datetime] | None,
    *,
    is_log: bool,
) -> Drawn:
    values = [
        replace(one, value=float(np.log(one.value))) if is_log else one for one in gathered.values
    ]
    groups = taken_together(values)
    kind, why = question.kind, _("chosen by you")
    if kind is MeasuredChart.AUTO:
        usual = MeasuredChart(known.chart) if known else MeasuredChart.AUTO
        kind, why = fitting_kind(groups, usual)
    # Of the target only what a person said is watched: a default is nobody's aim.
    target = question.target.value
    if target is not None and is_log:
        target = float(np.log(target)) if target > 0 else None
    try:
        points, left_out = points_of(kind, values, groups)
        used = [baseline is None or baseline[0] <= one.at < baseline[1] for one in points]
        drawn = drawn_chart(kind, why, points, used, target, left_out)
    except ValueError as problem:
        raise TracelogError(str(problem), "chart") from None
    count = sum(_is_shown(point, question) for point in points)
    if count > MOST_POINTS:
        sentence = _(
            "makes %(count)d points; at most %(most)d are drawn, so choose a shorter period or"
            " one machine",
            count=count,
            most=MOST_POINTS,
        )
        raise TracelogError(sentence, "from")
    return drawn


def _is_shown(point: Taken, question: MeasureQuestion) -> bool:
    return question.start <= point.at < question.end


def _answer(
    question: MeasureQuestion,
    places: Directory,
    drawn: Drawn,
    unit: str | None,
    limits: Limits,
    *,
    is_log: bool,
) -> MeasureAnswer:
    places_shown = [n for n, one in enumerate(drawn.points) if _is_shown(one, question)]
    rules = _rules(question, drawn, places_shown)
    points = tuple(
        _point(number, place, drawn, places, rules, is_log=is_log)
        for number, place in enumerate(places_shown, start=1)
    )
    return MeasureAnswer(
        question=question,
        kind=drawn.kind,
        why=drawn.why,
        unit=unit,
        is_log=is_log,
        centre=_back(drawn.watched, is_log),
        sigma=finite(drawn.sigma),
        limits=limits,
        points=points,
        rules=rules,
        notes=(),
    )


def _rules(question: MeasureQuestion, drawn: Drawn, shown: Sequence[int]) -> tuple[RuleFound, ...]:
    """The run rules of the shown points; sums and weighted averages have patterns by themselves."""
    if drawn.kind in (MeasuredChart.EWMA, MeasuredChart.CUSUM) or not shown:
        return ()
    # Without any spread there are no sigmas to count, and the limits alone tell who differs.
    if drawn.sigma <= 0:
        return ()
    level = drawn.level
    return rules_found(question.rules, replace(level, z=level.z[list(shown)]))


def _point(
    number: int,
    place: int,
    drawn: Drawn,
    places: Directory,
    rules: Sequence[RuleFound],
    *,
    is_log: bool,
) -> MeasurePoint:
    taken, level, spread = drawn.points[place], drawn.level, drawn.spread
    # Sums are differences and no values: on the logarithmic scale they stay logarithms.
    back = is_log and drawn.cusum is None
    return MeasurePoint(
        number=number,
        at=taken.at,
        machine=places.by_id[taken.machine_id].text,
        size=taken.size,
        value=_back(level.statistic[place], back),
        lower=_back(level.lower[place], back),
        centre=_back(level.centre_line[place], back),
        upper=_back(level.upper[place], back),
        fall=None if drawn.cusum is None else finite(drawn.cusum.low[place]),
        spread=finite(spread.statistic[place]) if spread else None,
        spread_lower=finite(spread.lower[place]) if spread else None,
        spread_centre=finite(spread.centre_line[place]) if spread else None,
        spread_upper=finite(spread.upper[place]) if spread else None,
        is_outside=bool(np.isin(place, level.outside)),
        is_spread_outside=spread is not None and bool(np.isin(place, spread.outside)),
        is_baseline=bool(level.baseline[place]),
        rules=tuple(one.name for one in rules if number - 1 in one.places),
    )


def _back(value: float, is_log: bool) -> float | None:
    return finite(float(np.exp(value)) if is_log else float(value))


def _capability(answer: MeasureAnswer, drawn: Drawn, *, is_log: bool) -> CapabilityView:
    shown = [point for point in drawn.points if _is_shown(point, answer.question)]
    values = np.array([value for point in shown for value in point.values])
    return capability_of(
        (np.exp(values) if is_log else values).tolist(),
        answer.limits,
        drawn.sigma,
        drawn.freedom,
        is_log=is_log,
        is_stable=not answer.marked,
    )


def _empty(question: MeasureQuestion, gathered: _Gathered, limits: Limits) -> MeasureAnswer:
    """A chart of nothing: no points, and the sentence that says so."""
    kind = question.kind
    missing = _("nothing was measured for this choice, so nothing can be drawn")
    return MeasureAnswer(
        question=question,
        kind=MeasuredChart.INDIVIDUALS if kind is MeasuredChart.AUTO else kind,
        why="",
        unit=gathered.unit,
        is_log=False,
        centre=None,
        sigma=None,
        limits=limits,
        points=(),
        rules=(),
        notes=(missing,),
    )
