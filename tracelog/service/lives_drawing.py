"""Where the marks of the figures of lives lie: pure arithmetic, so that templates hold none.

Places along the width are percentages, places along the height pixels, so that text keeps its size
on every screen. Paths are drawn in a frame of their own that is stretched over the figure.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from tracelog.language import _, figure
from tracelog.service.machine_lives_rules import RunFigures
from tracelog.stats.kaplan_meier import KaplanMeier
from tracelog.stats.lifetimes import Weibull
from tracelog.stats.probability_plot import WeibullPlot, depth_of
from tracelog.web.numbers import short_count

HEIGHT = 300.0
FOOT = 268.0
TOP = 12.0
WIDTH = 1_000.0
# Shares that Weibull paper shows, as far as they lie within the figure.
SHARES = (0.001, 0.01, 0.05, 0.1, 0.2, 0.5, 0.8, 0.95, 0.99)
_CURVE_STEPS = 60


@dataclass(frozen=True)
class Tick:
    """A mark on a scale: its place and its text.

    `anchor`: of texts along the foot; `is_between`: there is no room for its text on a phone.
    """

    place: float
    text: str
    anchor: str = "middle"
    is_between: bool = False


@dataclass(frozen=True)
class Mark:
    """One point: percent along the width, pixels down, and what it says."""

    x: float
    y: float
    text: str


@dataclass(frozen=True)
class LifeFigure:
    """One figure: scales, a band, a stepped or straight line, a fitted line, and points."""

    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    band: str
    line: str
    fitted: str
    marks: tuple[Mark, ...] = ()
    height: float = HEIGHT
    foot: float = FOOT
    path_width: float = WIDTH


@dataclass(frozen=True)
class _Scale:
    """Values on a straight scale, along the width (percent) or the height (pixels)."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low) if self.high > self.low else 0.5
        # Far outside the frame a path is cut off anyway, and numbers stay short.
        held = min(max(share, -2.0), 3.0)
        return round(self.start + held * (self.end - self.start), 2)


def plot_figure(plot: WeibullPlot) -> LifeFigure:
    """Weibull paper: ages on a logarithmic scale, shares failed so that the fit is straight.

    Args:
        plot: points, line and band.
    """
    x = _Scale(math.log(plot.line_ages[0]), math.log(plot.line_ages[-1]), 0, WIDTH)
    lowest = min(float(plot.depths.min()), float(depth_of(0.01)))
    highest = max(float(plot.depths.max()), float(depth_of(0.99)))
    y = _Scale(lowest - 0.15, highest + 0.15, FOOT, TOP)
    line = [math.log(age) for age in plot.line_ages]
    edge = list(zip(line, plot.high_depths, strict=True))
    back = list(zip(line, plot.low_depths, strict=True))[::-1]
    return LifeFigure(
        x_ticks=_ticks(_log_steps(plot.line_ages[0], plot.line_ages[-1]), x, math.log),
        y_ticks=_share_ticks(y, lowest, highest),
        band=_path(((x(a), y(d)) for a, d in [*edge, *back]), closed=True),
        line="",
        fitted=_path((x(a), y(d)) for a, d in zip(line, plot.line_depths, strict=True)),
        marks=tuple(
            Mark(
                x(math.log(age)) / WIDTH * 100,
                y(depth),
                _(
                    "%(age)s strokes: %(share)s failed",
                    age=short_count(age),
                    share=_percent(share),
                ),
            )
            for age, depth, share in zip(plot.ages, plot.depths, plot.failed_share, strict=True)
        ),
    )


def _share_ticks(y: _Scale, lowest: float, highest: float) -> tuple[Tick, ...]:
    """Shares that lie within the figure and far enough apart to be read, from the foot up."""
    found: list[Tick] = []
    for share in SHARES:
        depth = float(depth_of(share))
        if lowest <= depth <= highest and (not found or found[-1].place - y(depth) >= 20):
            found.append(Tick(y(depth), _percent(share)))
    return tuple(found)


def survival_figure(curve: KaplanMeier, fit: Weibull | None, longest: float) -> LifeFigure:
    """Share still serving by age: steps as counted, with their band, and the fitted curve.

    Args:
        curve: as counted.
        fit: the fitted distribution, if there is one.
        longest: the highest age on record.
    """
    x, y = _Scale(0, longest, 0, WIDTH), _Scale(0, 1, FOOT, TOP)
    edges = [curve.begins, *curve.ages.tolist(), longest]
    ages = [longest * step / _CURVE_STEPS for step in range(_CURVE_STEPS + 1)]
    fitted = [] if fit is None else list(zip(ages, fit.survival(ages).tolist(), strict=True))
    upper = _stepped(edges, [1.0, *curve.high.tolist()])
    lower = _stepped(edges, [1.0, *curve.low.tolist()])[::-1]
    return LifeFigure(
        x_ticks=_ticks(_round_steps(longest), x, float),
        y_ticks=tuple(Tick(y(share), _percent(share)) for share in (0, 0.25, 0.5, 0.75, 1)),
        band=_path(((x(a), y(s)) for a, s in [*upper, *lower]), closed=True),
        line=_path((x(a), y(s)) for a, s in _stepped(edges, [1.0, *curve.survival.tolist()])),
        fitted=_path((x(a), y(s)) for a, s in fitted),
    )


def runs_figure(runs: RunFigures) -> LifeFigure | None:
    """Mean number of unplanned services of a machine by strokes since its overhaul.

    Args:
        runs: what the runs say; None without an unplanned service.
    """
    if not runs.steps:
        return None
    ages, means = (list(column) for column in zip(*runs.steps, strict=True))
    longest = ages[-1]
    fitted = [longest * step / _CURVE_STEPS for step in range(_CURVE_STEPS + 1)]
    heights = [] if runs.law is None else runs.law.expected(fitted).tolist()
    top = max([means[-1], *heights])
    x, y = _Scale(0, longest, 0, WIDTH), _Scale(0, top, FOOT, TOP)
    return LifeFigure(
        x_ticks=_ticks(_round_steps(longest), x, float),
        y_ticks=tuple(Tick(y(step), figure(step, "g")) for step in _round_steps(top)),
        band="",
        line=_path((x(a), y(m)) for a, m in _stepped([0.0, *ages, longest], [0.0, *means])),
        fitted=_path((x(a), y(m)) for a, m in zip(fitted[: len(heights)], heights, strict=True)),
    )


def _stepped(edges: Sequence[float], heights: Sequence[float]) -> list[tuple[float, float]]:
    """Corners of a stepped line: each height holds from its edge to the next."""
    corners: list[tuple[float, float]] = []
    for (start, end), height in zip(pairwise(edges), heights, strict=True):
        corners += [(start, height), (end, height)]
    return corners


def _path(points: Iterable[tuple[float, float]], closed: bool = False) -> str:
    text = "L".join(f"{x:g} {y:g}" for x, y in points)
    return f"M{text}{'Z' if closed else ''}" if text else ""


def _percent(share: float) -> str:
    return f"{figure(share * 100, '.3g')}\N{NO-BREAK SPACE}%"


def _round_steps(top: float) -> list[float]:
    """From 0 up to at most `top` in three to six round steps."""
    if not (math.isfinite(top) and top > 0):
        return [0.0]
    size = 10.0 ** math.floor(math.log10(top))
    step = next(s for s in (size / 5, size / 2, size, 2 * size) if top / s <= 5.5)
    return [step * number for number in range(math.floor(top / step + 1e-9) + 1)]


def _log_steps(low: float, high: float) -> list[float]:
    """Ages 1, 2 and 5 times a power of ten between two; of many only the powers."""
    tens = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    fine = [m * 10.0**n for n in tens for m in (1, 2, 5) if low <= m * 10.0**n <= high]
    coarse = [10.0**n for n in tens if low <= 10.0**n <= high]
    return fine if len(fine) <= 8 else coarse[:: max(1, len(coarse) // 5)] or fine[::2]


def _ticks(
    steps: Sequence[float], x: _Scale, to_scale: Callable[[float], float]
) -> tuple[Tick, ...]:
    found = []
    for step in steps:
        place = x(to_scale(step)) / WIDTH * 100
        anchor = "start" if place < 4 else "end" if place > 94 else "middle"
        between = to_scale is math.log and f"{step:e}"[0] == "2"
        found.append(Tick(round(place, 3), short_count(step), anchor, between))
    return tuple(found)
