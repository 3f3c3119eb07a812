"""The documented answers about rates and charts, the same for command, API and page."""

import uuid
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from tracelog.trends.questions import ChartQuestion, RateQuestion
from tracelog.trends.rules import ChartKind, Evidence, Found, ParetoBar
from tracelog.trends.series.answers import frozen_answer
from tracelog.trends.series.choosing import RuleFound
from tracelog.trends.series.queries import FrozenBaselineView
from tracelog.trends.series.rules import Event


@dataclass(frozen=True)
class RateRow:
    """One rate with its exposure and exact interval.

    `machine`, `line`, `defect` and those from `tool` on say what it is of, None where it is of all
    or where nothing is on record; `name` says which, one of `names` for each thing that rates are
    told apart by. `exposure` is strokes, or cans inspected for samples. `per_million`, `low`,
    `high` (95 %) and `shrunk` are per million of it, None where there is no exposure. `counted` is
    what the rate counts: occurrences, or bad cans in samples. `note` says what the row cannot say.
    """

    name: str
    machine: str | None
    line: int | None
    defect: str | None
    start: datetime
    end: datetime
    cans: int
    occurrences: int
    entries: int
    exposure: int
    per_million: float | None = None
    low: float | None = None
    high: float | None = None
    shrunk: float | None = None
    probability_worst: float | None = None
    note: str | None = None
    counted: int = 0
    tool: str | None = None
    tool_type: str | None = None
    coil: str | None = None
    crew: str | None = None
    shift: str | None = None
    hour: int | None = None
    station: str | None = None
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class Rates:
    """Rates asked for, in order of time and name.

    `together` is the rate of all rows as one. `unsettled` is what was reported without anybody
    knowing yet which machine (or line) made it: it counts in no row. `alike` is true where the
    data show no difference between those seen together at all.
    """

    question: RateQuestion
    rows: tuple[RateRow, ...]
    together: RateRow
    unsettled: Found
    alike: bool
    notes: tuple[str, ...]

    @property
    def are_compared(self) -> bool:
        """Whether rows were seen together: shrunk rates, and the chance to be the worst."""
        return any(row.shrunk is not None for row in self.rows)


@dataclass(frozen=True)
class ChartPoint:
    """One point of a control chart, in the unit of the chart; None where it has no exposure.

    `entry` is the entry that it is drawn from, where it is one. `rules` are the run rules whose
    pattern it completes, by name.
    """

    number: int
    start: datetime
    end: datetime
    count: int
    exposure: int
    value: float | None
    lower: float | None
    upper: float | None
    is_outside: bool
    is_baseline: bool
    entry: uuid.UUID | None = None
    rules: tuple[str, ...] = ()


@dataclass(frozen=True)
class ChartAnswer:
    """A control chart: what was drawn, why, and its points.

    `unit` is ``per million strokes``, ``fraction``, ``occurrences``, ``cans`` or ``strokes``;
    `sigma_z` is Laney's spread, None without his correction. Without any evidence there are no
    points. `baseline` is the period that set the limits, None for all points; `frozen` the latest
    word about the baseline of the series, None if there never was one; `rules` what was looked
    for beside the limits; `events` what happened meanwhile, where that was read.
    """

    question: ChartQuestion
    kind: ChartKind
    why: str
    unit: str
    centre: float | None
    sigma_z: float | None
    points: tuple[ChartPoint, ...]
    notes: tuple[str, ...]
    baseline: tuple[datetime, datetime] | None = None
    frozen: FrozenBaselineView | None = None
    rules: tuple[RuleFound, ...] = ()
    events: tuple[Event, ...] = ()

    @property
    def frozen_in_use(self) -> FrozenBaselineView | None:
        """The frozen baseline where it set the limits."""
        is_used = self.question.baseline is None and self.baseline is not None
        return self.frozen if is_used else None

    @property
    def outside(self) -> tuple[int, ...]:
        """Numbers, from 1, of the points beyond a limit."""
        return tuple(point.number for point in self.points if point.is_outside)


@dataclass(frozen=True)
class ParetoAnswer:
    """Kinds of defect in order of weight, and the strokes they were reported from."""

    question: RateQuestion
    bars: tuple[ParetoBar, ...]
    strokes: int


def rates_answer(rates: Rates) -> dict[str, Any]:
    """Rates as JSON-ready values: the documented keys, and more beside them."""
    question = rates.question
    return {
        "defect": _one(question.defects),
        "defects": list(question.defects) or None,
        "by": ",".join(question.told_apart),
        "evidence": question.evidence,
        "from": question.start,
        "to": question.end,
        "as_of": question.as_of,
        "line": question.line,
        "bucket": question.bucket,
        "rates": [_rate(row, question) for row in rates.rows],
        "together": _rate(rates.together, question),
        "unsettled": {
            "cans": rates.unsettled.cans,
            "occurrences": rates.unsettled.occurrences,
            "entries": rates.unsettled.entries,
        },
        "machines_alike": rates.alike,
        "notes": list(rates.notes),
    }


def _one(defects: tuple[str, ...]) -> str | None:
    return defects[0] if len(defects) == 1 else None


def _rate(row: RateRow, question: RateQuestion) -> dict[str, Any]:
    production = question.evidence is Evidence.PRODUCTION
    answer: dict[str, Any] = {
        "name": row.name,
        "machine": row.machine,
        "line": row.line,
        "defect": row.defect,
        "tool": row.tool,
        "tool_type": row.tool_type,
        "coil": row.coil,
        "crew": row.crew,
        "shift": row.shift,
        "hour": row.hour,
        "station": row.station,
        "from": row.start,
        "to": row.end,
        "cans": row.cans,
        "occurrences": row.occurrences if production else None,
        "entries": row.entries,
        "strokes": row.exposure if production else None,
        "inspected": None if production else row.exposure,
        "per_million": row.per_million,
        "low": row.low,
        "high": row.high,
        "shrunk": row.shrunk,
        "probability_worst": row.probability_worst,
        "note": row.note,
    }
    if not production:
        answer["fraction"] = row.cans / row.exposure if row.exposure else None
    return answer


def chart_answer(chart: ChartAnswer) -> dict[str, Any]:
    """A chart as JSON-ready values; `outside` holds numbers of points, counted from 1."""
    question = chart.question
    return {
        "chart": chart.kind,
        "why": chart.why,
        "unit": chart.unit,
        "evidence": question.evidence,
        "machine": None if question.machine is None else question.machine.text,
        "line": question.line,
        "defect": _one(question.defects),
        "defects": list(question.defects) or None,
        "from": question.start,
        "to": question.end,
        "as_of": question.as_of,
        "bucket": question.bucket,
        "baseline": None if chart.baseline is None else list(chart.baseline),
        "frozen_baseline": None
        if chart.frozen_in_use is None
        else frozen_answer(chart.frozen_in_use),
        "run_rules": question.rules,
        "rules": [
            {
                "name": one.name,
                "pattern": one.pattern,
                "points": [place + 1 for place in one.places],
            }
            for one in chart.rules
        ],
        "centre": chart.centre,
        "sigma_z": chart.sigma_z,
        "outside": list(chart.outside),
        "points": [
            {
                "number": point.number,
                "from": point.start,
                "to": point.end,
                "count": point.count,
                "exposure": point.exposure,
                "value": point.value,
                "lower": point.lower,
                "upper": point.upper,
                "outside": point.is_outside,
                "baseline": point.is_baseline,
                "rules": list(point.rules),
                "entry": point.entry,
            }
            for point in chart.points
        ],
        "events": [
            {
                "at": one.at,
                "kind": one.kind,
                "what": one.what,
                "more": one.more or None,
                "machine": one.machine,
                "line": one.line,
            }
            for one in chart.events
        ],
        "notes": list(chart.notes),
    }
