"""The documented answers about measured values, the same for command, API and page."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from tracelog.json_text import finite
from tracelog.trends.measured.capability import CapabilityView
from tracelog.trends.measured.limits import Limits
from tracelog.trends.measured.questions import MeasureQuestion
from tracelog.trends.measured.rules import MeasuredChart
from tracelog.trends.series.answers import frozen_answer
from tracelog.trends.series.choosing import RuleFound
from tracelog.trends.series.queries import FrozenBaselineView


@dataclass(frozen=True)
class MeasurePoint:
    """One point of a chart of measured values.

    `value`, its limits and centre are in the unit of the values (for a CUSUM its rising sum, and
    `fall` its falling one); `spread` and what belongs to it are ranges or standard deviations, on
    the logarithmic scale of logarithms. None where there is none.
    """

    number: int
    at: datetime
    machine: str
    size: int
    value: float | None
    lower: float | None
    centre: float | None
    upper: float | None
    fall: float | None
    spread: float | None
    spread_lower: float | None
    spread_centre: float | None
    spread_upper: float | None
    is_outside: bool
    is_spread_outside: bool
    is_baseline: bool
    rules: tuple[str, ...]

    @property
    def is_marked(self) -> bool:
        """Whether anything about it speaks against one steady process."""
        return self.is_outside or self.is_spread_outside or bool(self.rules)


@dataclass(frozen=True)
class MeasureAnswer:
    """A chart of measured values with what it says about their specification.

    Without values there are no points, and `capability` is None. `unit` is that of the values,
    None if nobody gave one. `is_log`: charted as logarithms. `frozen` is the frozen baseline of
    the series where it set the limits.
    """

    question: MeasureQuestion
    kind: MeasuredChart
    why: str
    unit: str | None
    is_log: bool
    centre: float | None
    sigma: float | None
    limits: Limits
    points: tuple[MeasurePoint, ...]
    rules: tuple[RuleFound, ...]
    notes: tuple[str, ...]
    capability: CapabilityView | None = None
    baseline: tuple[datetime, datetime] | None = None
    frozen: FrozenBaselineView | None = None

    @property
    def marked(self) -> tuple[MeasurePoint, ...]:
        """The points beyond a limit or completing the pattern of a rule."""
        return tuple(point for point in self.points if point.is_marked)


def measure_answer(answer: MeasureAnswer) -> dict[str, Any]:
    """A chart and its capability as JSON-ready values; points are counted from 1."""
    question = answer.question
    return {
        "characteristic": question.characteristic,
        "unit": answer.unit,
        "machine": None if question.machine is None else question.machine.text,
        "line": question.line,
        "from": question.start,
        "to": question.end,
        "as_of": question.as_of,
        "chart": answer.kind,
        "why": answer.why,
        "scale": "log" if answer.is_log else "plain",
        "centre": answer.centre,
        "sigma": answer.sigma,
        "specification": {
            "lower": answer.limits.lower,
            "target": answer.limits.target,
            "upper": answer.limits.upper,
            "starting_defaults": answer.limits.are_defaults,
        },
        "baseline": None if answer.baseline is None else list(answer.baseline),
        "frozen_baseline": None if answer.frozen is None else frozen_answer(answer.frozen),
        "run_rules": question.rules,
        "rules": [
            {
                "name": one.name,
                "pattern": one.pattern,
                "points": [place + 1 for place in one.places],
            }
            for one in answer.rules
        ],
        "points": [_point(point) for point in answer.points],
        "capability": None if answer.capability is None else _capability(answer.capability),
        "notes": list(answer.notes),
    }


def _point(point: MeasurePoint) -> dict[str, Any]:
    return {
        "number": point.number,
        "at": point.at,
        "machine": point.machine,
        "size": point.size,
        "value": point.value,
        "lower": point.lower,
        "centre": point.centre,
        "upper": point.upper,
        "fall": point.fall,
        "spread": point.spread,
        "spread_lower": point.spread_lower,
        "spread_centre": point.spread_centre,
        "spread_upper": point.spread_upper,
        "outside": point.is_outside,
        "spread_outside": point.is_spread_outside,
        "baseline": point.is_baseline,
        "rules": list(point.rules),
    }


def _capability(view: CapabilityView) -> dict[str, Any]:
    return {
        "values": view.values,
        "mean": finite(view.mean),
        "sigma_within": finite(view.sigma_within),
        "sigma_overall": finite(view.sigma_overall),
        "indices": [
            {"name": one.name, "value": one.value, "low": one.low, "high": one.high}
            for one in view.indices
        ],
        "why_not": view.why_not or None,
        "outside": view.outside,
        "outside_fraction_low": view.outside_low,
        "outside_fraction_high": view.outside_high,
        "expected_below": view.expected_below,
        "expected_above": view.expected_above,
        "normal_p": view.normal_p,
        "normal": view.normal_says,
    }
