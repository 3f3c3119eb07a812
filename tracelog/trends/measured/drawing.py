"""Where the marks of figures of measured values lie: pure arithmetic, so that templates hold none.

Places along the width are percentages and places along the height are pixels, so that a figure
fits any screen while its text keeps its size.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from tracelog.language import figure
from tracelog.stats.normality import Histogram, NormalPlot
from tracelog.trends.drawing import (
    MOST_MARKS,
    PATH_WIDTH,
    Mark,
    Tick,
    first_middle_last,
    joined,
    stepped,
)

LEVEL_HEIGHT = 280.0
SPREAD_HEIGHT = 180.0
SHAPE_HEIGHT = 260.0
_TOP = 24.0
_FOOT = 32.0
_SIDE_PERCENT = 4.0
_MOST_STEPS = 5
# Points of the probability plot beyond this many lie on each other.
_MOST_DOTS = 240


@dataclass(frozen=True)
class Place:
    """What one point of a panel shows; None where it has no value or no limits."""

    label: str
    value: float | None
    lower: float | None
    centre: float | None
    upper: float | None
    shape: str
    text: str
    fall: float | None = None
    fall_shape: str = "point"


@dataclass(frozen=True)
class Level:
    """A line over the whole width: its height, its text, and the name of its kind."""

    y: float
    text: str
    kind: str


@dataclass(frozen=True)
class PanelFigure:
    """One panel: paths in a box of `path_width` by `height`, marks in percent and pixels."""

    line: str
    upper: str
    lower: str
    centre: str
    marks: tuple[Mark, ...]
    levels: tuple[Level, ...]
    y_ticks: tuple[Tick, ...]
    x_ticks: tuple[Tick, ...]
    height: float
    path_width: float = PATH_WIDTH


@dataclass(frozen=True)
class Bar:
    """One bar of a histogram: place and width in percent, height in pixels from the foot."""

    x: float
    width: float
    y: float
    height: float
    text: str


@dataclass(frozen=True)
class HistogramFigure:
    """Bars, and the specification as upright lines (percent)."""

    bars: tuple[Bar, ...]
    limits: tuple[Tick, ...]
    ticks: tuple[Tick, ...]
    height: float
    foot: float


@dataclass(frozen=True)
class PlotFigure:
    """A normal probability plot: dots, and the line of a normal distribution from end to end."""

    dots: tuple[Mark, ...]
    line: tuple[float, float, float, float]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    height: float


class Scale:
    """Values on one side of a figure, between round steps."""

    def __init__(self, values: Sequence[float], start: float, end: float) -> None:
        self.steps = round_steps(min(values, default=0.0), max(values, default=1.0))
        self._start, self._end = start, end
        self._low, self._span = self.steps[0], self.steps[-1] - self.steps[0]

    def at(self, value: float) -> float:
        """Where a value lies."""
        share = (value - self._low) / self._span
        return round(self._start + share * (self._end - self._start), 3)

    def ticks(self) -> tuple[Tick, ...]:
        """The round steps."""
        places = (self.at(step) for step in self.steps)
        texts = step_texts(self.steps)
        return tuple(Tick(place, text, "start") for place, text in zip(places, texts, strict=True))


def round_steps(low: float, high: float) -> list[float]:
    """Round values from at most `low` to at least `high`, 1, 2 or 5 times a power of ten apart.

    Example:
        >>> round_steps(0.0871, 0.0942)
        [0.086, 0.088, 0.09, 0.092, 0.094, 0.096]
    """
    if not high > low:
        reach = abs(low) * 0.05 or 1.0
        low, high = low - reach, high + reach
    size = 10.0 ** math.floor(math.log10((high - low) / _MOST_STEPS))
    step = next(
        size * factor for factor in (1, 2, 5, 10, 20) if size * factor * _MOST_STEPS >= high - low
    )
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    digits = max(0, -math.floor(math.log10(step)) + 1)
    return [round(step * index, digits) for index in range(first, last + 1)]


def step_texts(steps: Sequence[float]) -> list[str]:
    """The values on a scale, all to the decimals that tell them apart.

    Example:
        >>> step_texts([0.088, 0.09, 0.092])
        ['0.088', '0.090', '0.092']
    """
    needed = max(len(f"{step:.9f}".rstrip("0").partition(".")[2]) for step in steps)
    return [figure(step, f",.{needed}f") for step in steps]


def panel(
    places: Sequence[Place],
    height: float,
    levels: Sequence[tuple[float, str, str]] = (),
) -> PanelFigure:
    """Points in order, joined, with centre line and stepped limits.

    Args:
        places: points in order of time; one with a `fall` is drawn above and below.
        height: in pixels.
        levels: lines over the whole width: value, text, kind.
    """
    drawn = [
        value
        for place in places
        for value in (place.value, place.lower, place.centre, place.upper, _down(place.fall))
        if value is not None
    ]
    scale = Scale([*drawn, *(value for value, _text, _kind in levels)], height - _FOOT, _TOP)
    share = (100 - 2 * _SIDE_PERCENT) / max(len(places), 1)

    def x(index: float) -> float:
        return round(_SIDE_PERCENT + share * (index + 0.5), 3)

    edges = [(x(index - 0.5), x(index + 0.5)) for index in range(len(places))]

    def limits(values: Sequence[float | None]) -> str:
        return stepped([None if one is None else scale.at(one) for one in values], edges)

    def line(values: Sequence[float | None]) -> str:
        return joined([None if v is None else (x(i), scale.at(v)) for i, v in enumerate(values)])

    return PanelFigure(
        line=line([one.value for one in places]) + line([_down(one.fall) for one in places]),
        upper=limits([one.upper for one in places]),
        lower=limits([one.lower for one in places]),
        centre=limits([one.centre for one in places]),
        marks=_marks(places, scale, [x(index) for index in range(len(places))]),
        levels=tuple(Level(scale.at(value), text, kind) for value, text, kind in levels),
        y_ticks=scale.ticks(),
        x_ticks=first_middle_last([(x(index), one.label) for index, one in enumerate(places)]),
        height=height,
    )


def _down(fall: float | None) -> float | None:
    return None if fall is None else -fall


def _marks(places: Sequence[Place], scale: Scale, x: Sequence[float]) -> tuple[Mark, ...]:
    everything = len(places) <= MOST_MARKS
    return tuple(
        Mark(x[index], scale.at(value), shape, place.text)
        for index, place in enumerate(places)
        for value, shape in (
            (place.value, place.shape),
            (_down(place.fall), place.fall_shape),
        )
        if value is not None and (everything or shape in ("outside", "in-run"))
    )


def histogram_figure(
    found: Histogram, limits: Sequence[tuple[float, str]], texts: Sequence[str]
) -> HistogramFigure:
    """Bars from the foot up, the specification as upright lines.

    Args:
        found: edges and counts.
        limits: value and name of each specification line.
        texts: what each bar says.
    """
    edges = found.edges.tolist()
    scale = Scale([edges[0], edges[-1], *(value for value, _name in limits)], 3.0, 97.0)
    foot = SHAPE_HEIGHT - _FOOT
    highest = max(int(found.counts.max()), 1)
    bars = []
    for left, right, count, text in zip(edges, edges[1:], found.counts, texts, strict=False):
        height = round((foot - 2 * _TOP) * int(count) / highest, 2)
        x = scale.at(left)
        bars.append(Bar(x, round(scale.at(right) - x, 3), foot - height, height, text))
    return HistogramFigure(
        bars=tuple(bars),
        limits=tuple(_limit_tick(scale.at(value), name) for value, name in limits),
        ticks=_ends_inward(scale.ticks()),
        height=SHAPE_HEIGHT,
        foot=foot,
    )


def _limit_tick(place: float, name: str) -> Tick:
    anchor = "start" if place < 20 else "end" if place > 80 else "middle"
    return Tick(place, name, anchor)


def _ends_inward(ticks: Sequence[Tick]) -> tuple[Tick, ...]:
    anchors = {0: "start", len(ticks) - 1: "end"}
    return tuple(
        replace(tick, anchor=anchors.get(index, "middle")) for index, tick in enumerate(ticks)
    )


def plot_figure(plot: NormalPlot, texts: Sequence[str]) -> PlotFigure:
    """A normal probability plot: scores across, values upward.

    Args:
        plot: as `normal_plot` gives it.
        texts: what each dot says, in order of the values.
    """
    values, scores = plot.values.tolist(), plot.scores.tolist()
    ends = (scores[0], scores[-1])
    fitted = [plot.mean + plot.sigma * score for score in ends]
    y = Scale([values[0], values[-1], *fitted], SHAPE_HEIGHT - _FOOT, _TOP)
    reach = max(abs(ends[0]), ends[1])
    x = Scale([-reach, reach], 3.0, 97.0)
    every = max(1, math.ceil(len(values) / _MOST_DOTS))
    kept = [index for index in range(len(values)) if index % every == 0 or index > len(values) - 6]
    return PlotFigure(
        dots=tuple(
            Mark(x.at(scores[index]), y.at(values[index]), "point", texts[index]) for index in kept
        ),
        line=(x.at(ends[0]), y.at(fitted[0]), x.at(ends[1]), y.at(fitted[1])),
        x_ticks=_ends_inward(x.ticks()),
        y_ticks=y.ticks(),
        height=SHAPE_HEIGHT,
    )
