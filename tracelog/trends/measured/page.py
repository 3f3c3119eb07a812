"""What the page of measured values shows: figures and tables of one set of choices."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

from tracelog.instants import show_instant
from tracelog.language import _, figure, in_words
from tracelog.plant.queries import Directory, PlantView
from tracelog.trends.measured.answers import MeasureAnswer, MeasurePoint
from tracelog.trends.measured.capability import CapabilityView
from tracelog.trends.measured.drawing import (
    LEVEL_HEIGHT,
    SPREAD_HEIGHT,
    HistogramFigure,
    PanelFigure,
    Place,
    PlotFigure,
    histogram_figure,
    panel,
    plot_figure,
)
from tracelog.trends.measured.rules import MeasuredChart
from tracelog.trends.measured.wording import (
    Write,
    characteristic_name,
    chart_name,
    digits_for,
    level_name,
    share_text,
    spread_name,
    writer,
)
from tracelog.trends.wording import as_sentence


@dataclass(frozen=True)
class PointRow:
    """One point as the table and the list of marked points show it."""

    number: int
    at: str
    machine: str
    size: int
    value: str
    limits: str
    spread: str
    spread_limits: str
    remarks: str
    is_marked: bool


@dataclass(frozen=True)
class IndexRow:
    """One capability index as the table shows it."""

    name: str
    value: str
    interval: str
    means: str


@dataclass(frozen=True)
class MeasurePage:
    """Everything that the page shows; texts are ready to be read."""

    answer: MeasureAnswer
    name: str
    scope: str
    unit: str
    kind: str
    why: str
    centre: str
    sigma: str
    notes: tuple[str, ...]
    level: PanelFigure
    level_says: str
    spread: PanelFigure | None
    spread_says: str
    rows: tuple[PointRow, ...]
    marked: tuple[PointRow, ...]
    patterns: tuple[tuple[str, str, str], ...]
    limits_say: str
    capability: CapabilityView | None
    capability_says: tuple[str, ...]
    indices: tuple[IndexRow, ...]
    bars: HistogramFigure | None
    plot: PlotFigure | None
    query: str


def measure_page(
    answer: MeasureAnswer, query: str, plant: PlantView, places: Directory
) -> MeasurePage:
    """Everything that the page shows of one answer."""
    write = writer(_digits(answer))
    spread_write = writer(digits_for(answer.sigma))
    rows = tuple(_row(point, answer, write, spread_write, plant.zone) for point in answer.points)
    view = answer.capability
    is_grouped = any(point.size > 1 for point in answer.points)
    return MeasurePage(
        answer=answer,
        name=characteristic_name(answer.question.characteristic),
        scope=_scope(answer, plant, places),
        unit=answer.unit or _("no unit given"),
        kind=chart_name(answer.kind),
        why=as_sentence(answer.why),
        centre=write(answer.centre),
        sigma=spread_write(answer.sigma),
        notes=tuple(map(as_sentence, answer.notes)),
        level=_level(answer, rows, write),
        level_says=level_name(answer.kind, is_grouped=is_grouped),
        spread=_spread(answer, rows),
        spread_says=spread_name(answer.kind),
        rows=rows,
        marked=tuple(row for row in rows if row.is_marked),
        patterns=tuple(
            (
                in_words(one.name),
                in_words(one.pattern),
                ", ".join(str(place + 1) for place in one.places),
            )
            for one in answer.rules
            if one.places
        ),
        limits_say=_limits_say(answer),
        capability=view,
        capability_says=_capability_says(view, answer) if view else (),
        indices=_index_rows(view) if view else (),
        bars=_bars(view, write) if view else None,
        plot=_plot(view, write) if view else None,
        query=query,
    )


def _digits(answer: MeasureAnswer) -> int:
    """Decimals of values; on the logarithmic scale sigma is a share of the centre."""
    sigma = answer.sigma
    if answer.is_log and sigma is not None:
        view = answer.capability
        sigma = sigma * math.exp(view.mean) if view else sigma
    return digits_for(sigma)


def _scope(answer: MeasureAnswer, plant: PlantView, places: Directory) -> str:
    asked = answer.question
    if asked.machine is not None:
        return _("machine %(machine)s", machine=asked.machine.text)
    if asked.line is not None:
        return places.line_names[asked.line]
    return plant.name


def _row(
    point: MeasurePoint,
    answer: MeasureAnswer,
    write: Write,
    spread_write: Write,
    zone: ZoneInfo,
) -> PointRow:
    value = write(point.value)
    if point.fall is not None:
        value = _("rise %(rise)s, fall %(fall)s", rise=value, fall=write(point.fall))
    return PointRow(
        number=point.number,
        at=show_instant(point.at, zone),
        machine=point.machine,
        size=point.size,
        value=value,
        limits=_span(write(point.lower), write(point.upper)),
        spread=spread_write(point.spread),
        spread_limits=_span(spread_write(point.spread_lower), spread_write(point.spread_upper)),
        remarks=remarks(point, answer),
        is_marked=point.is_marked,
    )


def _span(low: str, high: str) -> str:
    return _("%(low)s to %(high)s", low=low, high=high) if low or high else ""


def remarks(point: MeasurePoint, answer: MeasureAnswer) -> str:
    """What is to be said of a point: beyond which limit, which rule, not in the baseline."""
    told = []
    if point.is_outside:
        told.append(_outside(point))
    if point.is_spread_outside:
        is_low = (point.spread or 0.0) < (point.spread_lower or 0.0)
        told.append(_("spread below its limits") if is_low else _("spread above its limits"))
    patterns = {one.name: one.pattern for one in answer.rules}
    told += [f"{in_words(name)}: {in_words(patterns[name])}" for name in point.rules]
    if not point.is_baseline:
        told.append(_("not in the baseline"))
    return "; ".join(told)


def _outside(point: MeasurePoint) -> str:
    if point.fall is not None:
        is_rise = (point.value or 0.0) > (point.upper or 0.0)
        return _("signals a rise") if is_rise else _("signals a fall")
    is_above = point.upper is not None and (point.value or 0.0) > point.upper
    return _("above the upper limit") if is_above else _("below the lower limit")


def _shape(is_outside: bool, *, is_in_run: bool, is_baseline: bool) -> str:
    if is_outside:
        return "outside"
    if is_in_run:
        return "in-run"
    return "point" if is_baseline else "left-out"


def _is_beyond(point: MeasurePoint) -> bool:
    """Whether its value is outside; of a CUSUM, whether its rising sum is."""
    if point.fall is None:
        return point.is_outside
    return (point.value or 0.0) > (point.upper or 0.0)


def _level(answer: MeasureAnswer, rows: Sequence[PointRow], write: Write) -> PanelFigure:
    places = [
        Place(
            label=row.at[:10],
            value=point.value,
            lower=point.lower,
            centre=point.centre,
            upper=point.upper,
            shape=_shape(
                _is_beyond(point), is_in_run=bool(point.rules), is_baseline=point.is_baseline
            ),
            text=_told(row, row.value),
            fall=point.fall,
            fall_shape=_shape(
                (point.fall or 0.0) > (point.upper or 0.0),
                is_in_run=False,
                is_baseline=point.is_baseline,
            ),
        )
        for point, row in zip(answer.points, rows, strict=True)
    ]
    target = answer.limits.target
    # Specification is of single values and has no place among means; the target has.
    levels = []
    if target is not None and answer.kind is not MeasuredChart.CUSUM:
        levels = [(target, _("target %(target)s", target=write(target)), "target")]
    return panel(places, LEVEL_HEIGHT, levels)


def _spread(answer: MeasureAnswer, rows: Sequence[PointRow]) -> PanelFigure | None:
    if all(point.spread is None for point in answer.points):
        return None
    places = [
        Place(
            label=row.at[:10],
            value=point.spread,
            lower=point.spread_lower,
            centre=point.spread_centre,
            upper=point.spread_upper,
            shape=_shape(point.is_spread_outside, is_in_run=False, is_baseline=point.is_baseline),
            text=_told(row, row.spread),
        )
        for point, row in zip(answer.points, rows, strict=True)
    ]
    return panel(places, SPREAD_HEIGHT)


def _told(row: PointRow, value: str) -> str:
    text = _(
        "point %(number)d, %(at)s, %(machine)s: %(value)s",
        number=row.number,
        at=row.at,
        machine=row.machine,
        value=value,
    )
    return f"{text}; {row.remarks}" if row.remarks else text


def _limits_say(answer: MeasureAnswer) -> str:
    limits = answer.limits
    parts = [
        _("%(name)s %(value)s", name=name, value=figure(value, "g"))
        for name, value in (
            (_("lower"), limits.lower),
            (_("target"), limits.target),
            (_("upper"), limits.upper),
        )
        if value is not None
    ]
    if not parts:
        return _("No specification is set; enter the plant's own limits.")
    text = _("Specification: %(parts)s %(unit)s.", parts=", ".join(parts), unit=answer.unit or "")
    if limits.are_defaults:
        text += " " + _(
            "What was not entered is a starting default (common practice): the plant's own"
            " specification always wins."
        )
        text += f" {limits.note}"
    return text.strip()


def _capability_says(view: CapabilityView, answer: MeasureAnswer) -> tuple[str, ...]:
    told = []
    if view.why_not:
        told.append(as_sentence(view.why_not))
    if view.limits.any:
        told.append(
            _(
                "%(outside)d of %(values)d values lie outside the specification, which is"
                " compatible with %(low)s to %(high)s of all (95 %% interval; Clopper and Pearson,"
                " 1934).",
                outside=view.outside,
                values=view.values,
                low=share_text(view.outside_low),
                high=share_text(view.outside_high),
            )
        )
    if view.expected_below is not None or view.expected_above is not None:
        told.append(
            _(
                "If the process stays as it is and is normal, %(below)s fall below and %(above)s"
                " above.",
                below=share_text(view.expected_below) or _("none can"),
                above=share_text(view.expected_above) or _("none can"),
            )
        )
    told.append(as_sentence(view.normal_says))
    if answer.limits.are_defaults and view.indices:
        told.append(_("Against starting defaults capability is no judgement; enter your own."))
    return tuple(told)


def _index_rows(view: CapabilityView) -> tuple[IndexRow, ...]:
    means = {
        "Cp": _("tolerance over six sigmas, sigma from within points"),
        "Cpk": _("the nearer limit over three sigmas, sigma from within points"),
        "Pp": _("tolerance over six sigmas, sigma of all values"),
        "Ppk": _("the nearer limit over three sigmas, sigma of all values"),
    }
    return tuple(
        IndexRow(
            one.name,
            _("needs both limits") if one.value is None else figure(one.value, ".2f"),
            ""
            if one.low is None or one.high is None
            else _span(figure(one.low, ".2f"), figure(one.high, ".2f")),
            means[one.name],
        )
        for one in view.indices
    )


def _bars(view: CapabilityView, write: Write) -> HistogramFigure:
    limits = [
        (value, name)
        for value, name in (
            (view.limits.lower, _("lower")),
            (view.limits.target, _("target")),
            (view.limits.upper, _("upper")),
        )
        if value is not None
    ]
    edges = view.bars.edges.tolist()
    texts = [
        _("%(low)s to %(high)s: %(count)d", low=write(low), high=write(high), count=count)
        for low, high, count in zip(edges, edges[1:], view.bars.counts.tolist(), strict=False)
    ]
    return histogram_figure(view.bars, limits, texts)


def _plot(view: CapabilityView, write: Write) -> PlotFigure | None:
    if view.plot is None:
        return None
    values = view.plot.values.tolist()
    own = [math.exp(value) for value in values] if view.is_log else values
    return plot_figure(view.plot, [write(value) for value in own])


def period_text(answer: MeasureAnswer, zone: ZoneInfo) -> str:
    """The period for the name of a file."""
    asked = answer.question
    last = asked.end - timedelta(microseconds=1)
    return f"{asked.start.astimezone(zone):%Y-%m-%d}-{last.astimezone(zone):%Y-%m-%d}"
