"""Where the marks of a figure lie: pure arithmetic, so that templates hold none.

Places along the width are percentages and places along the height are pixels, so that a figure
fits any screen while its text keeps its size.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tracelog.language import _, in_signs

ROW_HEIGHT = 28.0
AXIS_HEIGHT = 28.0
# Share of the width kept for the names of the rows.
NAMES_PERCENT = 20.0
RIGHT_PERCENT = 98.0
CHART_HEIGHT = 280.0
CHART_TOP = 24.0
CHART_FOOT = 32.0
# More marks than this are a smear; then only the line and the points outside are drawn.
MOST_MARKS = 240
MOST_BARS = 12
# A path is drawn in a square of this width that is stretched over the figure.
PATH_WIDTH = 1_000.0


@dataclass(frozen=True)
class Tick:
    """A mark on a scale: its place, its text, and how the text is anchored."""

    place: float
    text: str
    anchor: str = "middle"


@dataclass(frozen=True)
class Whisker:
    """One row: its name, and where its dot, its interval and its shrunk rate lie (percent).

    `value` is None where there is no rate; `shrunk` None where rates are not shrunk; `beyond`
    where the interval reaches past the scale.
    """

    name: str
    y: float
    low: float
    value: float | None
    high: float
    shrunk: float | None
    beyond: bool
    text: str
    is_chosen: bool


@dataclass(frozen=True)
class WhiskerFigure:
    """Rates with their intervals, one row each, on one scale from 0."""

    rows: tuple[Whisker, ...]
    ticks: tuple[Tick, ...]
    height: float
    foot: float
    names_percent: float
    together: float | None


@dataclass(frozen=True)
class RatePlace:
    """What one row of a figure of rates shows; all in the same unit."""

    name: str
    value: float | None
    low: float | None
    high: float | None
    shrunk: float | None
    text: str
    is_chosen: bool = False


@dataclass(frozen=True)
class Mark:
    """A point of a chart: its place, its shape's name, and what it says."""

    x: float
    y: float
    shape: str
    text: str


@dataclass(frozen=True)
class ChartFigure:
    """A control chart: paths in a box of `PATH_WIDTH` by `height`, marks in percent and pixels.

    `band` is left edge and width (percent) of the points that set the limits, None where all do.
    """

    line: str
    upper: str
    lower: str
    centre: str
    marks: tuple[Mark, ...]
    y_ticks: tuple[Tick, ...]
    x_ticks: tuple[Tick, ...]
    height: float
    path_width: float = PATH_WIDTH
    band: tuple[float, float] | None = None
    foot: float = CHART_HEIGHT - CHART_FOOT


@dataclass(frozen=True)
class ChartPlace:
    """What one point of a chart shows; None where it has no value or no limits."""

    label: str
    value: float | None
    lower: float | None
    upper: float | None
    centre: float
    is_outside: bool
    is_baseline: bool
    text: str
    is_in_run: bool = False


@dataclass(frozen=True)
class ParetoRow:
    """One bar of a Pareto figure, its width in percent, and what stands at its end."""

    name: str
    y: float
    width: float
    share: str
    text: str


@dataclass(frozen=True)
class ParetoFigure:
    """Bars in order, the most frequent first; `more` bars are left to the table."""

    rows: tuple[ParetoRow, ...]
    height: float
    more: int


def nice_steps(top: float, most: int = 5) -> list[float]:
    """Round values from 0 up to at least `top`: at most `most` steps of 1, 2 or 5 times a power.

    Example:
        >>> nice_steps(7.3)
        [0.0, 2.0, 4.0, 6.0, 8.0]
    """
    if not math.isfinite(top) or top <= 0:
        return [0.0, 1.0]
    size = 10.0 ** math.floor(math.log10(top / most))
    step = next(size * factor for factor in (1, 2, 5, 10, 20) if size * factor * most >= top)
    count = math.ceil(top / step - 1e-9)
    return [step * index for index in range(count + 1)]


def scale_text(value: float) -> str:
    """A value on a scale, without needless digits."""
    return in_signs(f"{value:,.6f}".rstrip("0").rstrip(".")) if value else "0"


def whiskers(places: Sequence[RatePlace], together: float | None = None) -> WhiskerFigure:
    """Dots with whiskers, one row each.

    The scale ends a little beyond the highest rate; an interval that reaches farther, as that of
    a machine with few strokes does, is cut off there and said to be.

    Args:
        places: rows from top to bottom.
        together: the rate of all together, drawn as a line.
    """
    values = [place.value for place in places if place.value is not None]
    highs = sorted(place.high for place in places if place.high is not None)
    middle_high = highs[len(highs) // 2] if highs else 0.0
    steps = nice_steps(max([1.25 * max(values, default=0.0), 1.1 * middle_high, together or 0.0]))
    top = steps[-1]

    def x(value: float) -> float:
        share = min(max(value / top, 0.0), 1.0)
        return round(NAMES_PERCENT + share * (RIGHT_PERCENT - NAMES_PERCENT), 3)

    rows = tuple(
        Whisker(
            name=place.name,
            y=ROW_HEIGHT * (index + 0.5),
            low=x(place.low or 0.0),
            value=None if place.value is None else x(place.value),
            high=x(top if place.high is None else place.high),
            shrunk=None if place.shrunk is None else x(place.shrunk),
            beyond=place.high is not None and place.high > top,
            text=place.text,
            is_chosen=place.is_chosen,
        )
        for index, place in enumerate(places)
    )
    foot = ROW_HEIGHT * len(rows)
    ticks = [Tick(x(step), scale_text(step)) for step in steps]
    ticks[-1] = Tick(ticks[-1].place, ticks[-1].text, "end")
    line = None if together is None else x(together)
    return WhiskerFigure(rows, tuple(ticks), foot + AXIS_HEIGHT, foot, NAMES_PERCENT, line)


def chart_figure(places: Sequence[ChartPlace], power: float = 1.0) -> ChartFigure:
    """A control chart: points in order, joined, with centre line and stepped limits.

    Args:
        places: points in order of time.
        power: heights are as this power of the values, so that below 1 small ones are told apart;
            the scale then begins at 0.
    """
    drawn = [v for p in places for v in (p.value, p.upper, p.lower, p.centre) if v is not None]
    # A fraction near 1 is not read on a scale from 0.
    low = min(drawn, default=0.0)
    high = max(drawn, default=1.0)
    foot = 0.0 if low <= 0.5 * high else low - 0.1 * (high - low)
    steps = _steps_between(foot, high) if power == 1 else _tenfold_steps(high)
    foot, top = min(foot, steps[0]), steps[-1]
    usable = CHART_HEIGHT - CHART_TOP - CHART_FOOT

    def y(value: float) -> float:
        share = (value - foot) / (top - foot) if top > foot else 0.0
        share = float(max(share, 0.0) ** power)
        return round(CHART_TOP + (1 - min(max(share, 0.0), 1.0)) * usable, 2)

    def x(index: float) -> float:
        return place_of_point(index, len(places))

    edges = [(x(index - 0.5), x(index + 0.5)) for index in range(len(places))]
    everything = len(places) <= MOST_MARKS
    return ChartFigure(
        line=joined(
            [None if p.value is None else (x(i), y(p.value)) for i, p in enumerate(places)]
        ),
        upper=stepped([None if p.upper is None else y(p.upper) for p in places], edges),
        lower=stepped([None if p.lower is None else y(p.lower) for p in places], edges),
        centre=stepped([y(p.centre) for p in places], edges),
        marks=tuple(
            Mark(round(x(index), 3), y(place.value), _shape(place), place.text)
            for index, place in enumerate(places)
            if place.value is not None and (everything or place.is_outside or place.is_in_run)
        ),
        y_ticks=tuple(Tick(y(step), scale_text(step), "start") for step in steps),
        x_ticks=first_middle_last([(round(x(i), 3), p.label) for i, p in enumerate(places)]),
        height=CHART_HEIGHT,
        band=_band([place.is_baseline for place in places], x),
    )


def place_of_point(index: float, points: int) -> float:
    """Where a point of a control chart lies along the width, in percent; half-way is between.

    Args:
        index: counted from 0; -0.5 is the left edge of the first point.
        points: how many there are.
    """
    return 2 + 96 * (index + 0.5) / max(points, 1)


def _band(used: Sequence[bool], x: Callable[[float], float]) -> tuple[float, float] | None:
    """Left edge and width of the points that set the limits, None where all or none do."""
    if all(used) or not any(used):
        return None
    first, last = used.index(True), len(used) - 1 - used[::-1].index(True)
    left, right = x(first - 0.5), x(last + 0.5)
    return round(left, 3), round(right - left, 3)


def _steps_between(foot: float, high: float) -> list[float]:
    if foot <= 0:
        return nice_steps(high)
    step = nice_steps(high - foot)[1]
    first = math.floor(foot / step)
    return [step * index for index in range(first, math.ceil(high / step - 1e-9) + 1)]


def _tenfold_steps(high: float) -> list[float]:
    """0, the powers of ten below the top, and the top."""
    top = nice_steps(high)[-1]
    largest = math.floor(math.log10(top / 2))
    return [0.0, *(10.0**size for size in range(largest - 2, largest + 1)), top]


def _shape(place: ChartPlace) -> str:
    if place.is_outside:
        return "outside"
    if place.is_in_run:
        return "in-run"
    return "point" if place.is_baseline else "left-out"


def _path_x(percent: float) -> float:
    return round(percent * PATH_WIDTH / 100, 2)


def joined(points: Sequence[tuple[float, float] | None]) -> str:
    """A path through the points, broken where one is missing."""
    path, pen_down = "", False
    for point in points:
        if point is None:
            pen_down = False
            continue
        path += f"{'L' if pen_down else 'M'}{_path_x(point[0]):g} {point[1]:g}"
        pen_down = True
    return path


def stepped(heights: Sequence[float | None], edges: Sequence[tuple[float, float]]) -> str:
    """A path of level stretches, one for each point, joined where neighbours have a height."""
    path, before = "", None
    for height, (left, right) in zip(heights, edges, strict=True):
        if height is not None:
            if before is None:
                path += f"M{_path_x(left):g} {height:g}"
            elif before != height:
                path += f"V{height:g}"
            path += f"H{_path_x(right):g}"
        before = height
    return path


def first_middle_last(places: Sequence[tuple[float, str]]) -> tuple[Tick, ...]:
    """Ticks of the first, the middle and the last of the places, each with its text."""
    if not places:
        return ()
    if len(places) < 3:
        chosen = [(0, "start"), (len(places) - 1, "end")][: len(places)]
    else:
        chosen = [(0, "start"), (len(places) // 2, "middle"), (len(places) - 1, "end")]
    return tuple(Tick(places[index][0], places[index][1], anchor) for index, anchor in chosen)


@dataclass(frozen=True)
class ParetoPlace:
    """What one bar of a Pareto figure shows; `share` and `cumulative` from 0 to 1."""

    name: str
    share: float
    cumulative: float
    text: str


def pareto_figure(places: Sequence[ParetoPlace]) -> ParetoFigure:
    """Horizontal bars in order, the longest as wide as the figure."""
    longest = max((place.share for place in places), default=0.0)
    rows = tuple(
        ParetoRow(
            name=place.name,
            y=index * 2 * ROW_HEIGHT,
            width=round(100 * place.share / longest, 3) if longest > 0 else 0.0,
            share=_("%(share)s %%", share=_percent(place.cumulative)),
            text=place.text,
        )
        for index, place in enumerate(places[:MOST_BARS])
    )
    return ParetoFigure(rows, 2 * ROW_HEIGHT * len(rows), max(len(places) - MOST_BARS, 0))


def _percent(share: float) -> str:
    """Whole per cent, never 100 before all is reached."""
    whole = round(100 * share)
    return str(99 if whole == 100 and share < 1 else whole)


def interval_words(low: float | None, high: float | None) -> str:
    """An interval as words for a tooltip."""
    if low is None or high is None:
        return _("no interval")
    return _("%(low)s to %(high)s", low=scale_text(round(low, 4)), high=scale_text(round(high, 4)))
