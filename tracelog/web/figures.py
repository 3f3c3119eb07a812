"""Small figures as SVG: pure functions that give numbers and path data; macros draw them.

The machine is drawn as a can seen from below, in a square of 100 by 100 units: a rim, a ring that
is the service interval, and the dome with its two numbers. Angles are degrees clockwise from the
top, as on a clock.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tracelog.language import _, figure

CENTRE = 50.0
RIM_RADIUS = 47.5
RING_RADIUS = 40.0
# What is over the interval is drawn as a second arc of its own, outside the ring.
OVER_RADIUS = 46.5
# Half the width of the break that marks a stopped machine, at the foot of the ring.
BREAK_HALF_DEGREES = 24.0
# At the upper left, where an overrun seldom reaches.
NOTCH_DEGREES = 315.0


@dataclass(frozen=True)
class CanFigure:
    """What a can bottom is drawn from; a blank path draws nothing.

    Attributes:
        rim, ring: the whole rim and the whole ring, with the break if stopped.
        used: arc of the interval that is used up.
        over: arc of what is used beyond the interval, up to a second whole interval.
        notch: wedge cut into the rim.
        break_ends: two short strokes that close the ends of the break.
    """

    rim: str
    ring: str
    used: str
    over: str
    notch: str
    break_ends: str


def point(radius: float, degrees: float, centre: float = CENTRE) -> tuple[float, float]:
    """The point on a circle at an angle clockwise from the top."""
    angle = math.radians(degrees)
    return centre + radius * math.sin(angle), centre - radius * math.cos(angle)


def _text(*numbers: float) -> str:
    return " ".join(f"{number:.2f}".rstrip("0").rstrip(".") for number in numbers)


def arc_path(radius: float, start_degrees: float, end_degrees: float) -> str:
    """Path of an arc clockwise from start to end, blank if it has no length.

    Args:
        radius: in units of the figure.
        start_degrees: clockwise from the top.
        end_degrees: at most 360 after the start.

    Example:
        >>> arc_path(40, 0, 90)
        'M50 10A40 40 0 0 1 90 50'
    """
    sweep = end_degrees - start_degrees
    if sweep <= 0:
        return ""
    if sweep >= 360:
        # One arc cannot lead back to its own start, so a whole circle takes two.
        middle = start_degrees + 180
        return arc_path(radius, start_degrees, middle) + arc_path(
            radius, middle, start_degrees + 360
        )
    large = 1 if sweep > 180 else 0
    return (
        f"M{_text(*point(radius, start_degrees))}"
        f"A{_text(radius, radius)} 0 {large} 1 {_text(*point(radius, end_degrees))}"
    )


def broken_arc(radius: float, end_degrees: float, broken: bool) -> str:
    """Path of an arc from the top to `end_degrees`, leaving out the break at the foot."""
    if not broken:
        return arc_path(radius, 0, end_degrees)
    before, after = 180 - BREAK_HALF_DEGREES, 180 + BREAK_HALF_DEGREES
    return arc_path(radius, 0, min(end_degrees, before)) + arc_path(radius, after, end_degrees)


def can_figure(share: float | None = None, notch: bool = False, stopped: bool = False) -> CanFigure:
    """The paths of a can seen from below.

    Args:
        share: used share of the service interval, 1 = all of it; None: not known.
        notch: whether the machine needs attention.
        stopped: whether it stands still.
    """
    used = 0.0 if share is None else min(max(share, 0.0), 1.0)
    over = 0.0 if share is None else min(max(share - 1.0, 0.0), 1.0)
    ends = ""
    if stopped:
        for side in (-1, 1):
            angle = 180 + side * BREAK_HALF_DEGREES
            ends += f"M{_text(*point(34.5, angle))}L{_text(*point(48, angle))}"
    return CanFigure(
        rim=broken_arc(RIM_RADIUS, 360, stopped),
        ring=broken_arc(RING_RADIUS, 360, stopped),
        used=broken_arc(RING_RADIUS, 360 * used, stopped),
        over=broken_arc(OVER_RADIUS, 360 * over, stopped),
        notch=_wedge(NOTCH_DEGREES) if notch else "",
        break_ends=ends,
    )


def _wedge(degrees: float) -> str:
    """A wedge that points from outside the rim to the centre."""
    corners = (
        point(50, degrees - 15),
        point(29, degrees),
        point(50, degrees + 15),
        point(56, degrees),
    )
    return "M" + "L".join(_text(*corner) for corner in corners) + "Z"


def can_words(
    name: str, share: float | None = None, notch: bool = False, stopped: bool = False
) -> str:
    """The state of a can bottom as one sentence, for those who do not see the figure."""
    parts = [name]
    if share is not None:
        parts.append(_("%(percent)d %% of the service interval used", percent=percent(share)))
    if share is not None and share > 1:
        parts.append(_("past its interval"))
    if notch:
        parts.append(_("needs attention"))
    if stopped:
        parts.append(_("stopped"))
    return ", ".join(parts)


def percent(share: float) -> int:
    """A share as a whole percentage that never says 100 before all is used."""
    rounded = round(share * 100)
    return 99 if rounded == 100 and share < 1 else rounded


@dataclass(frozen=True)
class LineFigure:
    """A small line: its path, and a dot where a value stands alone or is the last.

    Attributes:
        path: SVG path; gaps where a value is not known.
        dots: points to mark.
        width, height: of the drawing.
    """

    path: str
    dots: tuple[tuple[float, float], ...]
    width: float
    height: float


def sparkline(
    values: Sequence[float | None],
    width: float = 120,
    height: float = 32,
    low: float | None = None,
    high: float | None = None,
) -> LineFigure:
    """A line through values at equal steps.

    Args:
        values: None leaves a gap.
        width: of the drawing.
        height: of the drawing.
        low: value at the foot; None: the smallest value, or 0 if that is smaller.
        high: value at the top; None: the largest.
    """
    known = [value for value in values if value is not None]
    if not known:
        return LineFigure("", (), width, height)
    bottom = min(0.0, *known) if low is None else low
    top = max(known) if high is None else high
    pad = 3.0
    step = (width - 2 * pad) / max(len(values) - 1, 1)
    path, dots = "", []
    pen_down = False
    for index, value in enumerate(values):
        if value is None:
            pen_down = False
            continue
        share = (value - bottom) / (top - bottom) if top > bottom else 0.0
        x, y = pad + index * step, height - pad - min(max(share, 0), 1) * (height - 2 * pad)
        path += f"{'L' if pen_down else 'M'}{_text(x, y)}"
        alone = not pen_down and (index + 1 == len(values) or values[index + 1] is None)
        if alone or index == len(values) - 1:
            dots.append((round(x, 2), round(y, 2)))
        pen_down = True
    return LineFigure(path, tuple(dots), width, height)


@dataclass(frozen=True)
class Bar:
    """One bar: its place, and the text that tells it (for a tooltip and a table)."""

    x: float
    y: float
    width: float
    height: float
    text: str
    marked: bool = False


@dataclass(frozen=True)
class BarFigure:
    """Bars by hour, day or machine.

    Attributes:
        bars: in order; a value that is not known has no bar.
        width, height: of the drawing.
        highest: value at the top of the scale.
    """

    bars: tuple[Bar, ...]
    width: float
    height: float
    highest: float


def bars(
    values: Sequence[float | None],
    texts: Sequence[str] | None = None,
    width: float = 480,
    height: float = 96,
    highest: float | None = None,
    marked: frozenset[int] = frozenset(),
) -> BarFigure:
    """Bars of equal width from 0 up.

    Args:
        values: 0 or more; None: not known, no bar.
        texts: what each bar says; None: its value.
        width: of the drawing.
        height: of the drawing.
        highest: value at the top; None: the largest value.
        marked: places (from 0) of bars drawn in the accent.
    """
    known = [value for value in values if value is not None]
    top = highest if highest is not None else max(known, default=0.0)
    slot = width / max(len(values), 1)
    drawn = []
    for index, value in enumerate(values):
        if value is None:
            continue
        share = min(value / top, 1.0) if top > 0 else 0.0
        tall = max(share * height, 1.0 if value > 0 else 0.0)
        text = texts[index] if texts is not None else figure(value, "g")
        x, wide = round(index * slot + 0.1 * slot, 2), round(0.8 * slot, 2)
        drawn.append(Bar(x, round(height - tall, 2), wide, round(tall, 2), text, index in marked))
    return BarFigure(tuple(drawn), width, height, float(top))


@dataclass(frozen=True)
class IntervalFigure:
    """A value with its interval on a common scale: places along the width."""

    low: float
    value: float
    high: float
    width: float
    length: float
    beyond: bool
    mark: float | None = None


def interval(
    low: float,
    value: float,
    high: float,
    scale_high: float,
    width: float = 160,
    mark: float | None = None,
) -> IntervalFigure:
    """Where an interval and its value lie on a scale from 0 to `scale_high`.

    Args:
        low: lower end.
        value: between the ends.
        high: upper end; beyond the scale it is cut off, and `beyond` says so.
        scale_high: value at the right end, the same for all that are compared.
        width: of the drawing.
        mark: a value to compare with.
    """

    def place(number: float) -> float:
        share = number / scale_high if scale_high > 0 else 0.0
        return round(6 + min(max(share, 0.0), 1.0) * (width - 12), 2)

    ends = place(low), place(value), place(high)
    length, beyond = round(ends[2] - ends[0], 2), high > scale_high
    return IntervalFigure(*ends, width, length, beyond, None if mark is None else place(mark))
