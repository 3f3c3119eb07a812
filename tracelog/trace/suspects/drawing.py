"""Where the lines of the operating characteristic lie: pure arithmetic, so that pages hold none."""

from dataclasses import dataclass

from tracelog.language import figure
from tracelog.trace.suspects.clearing import Clearing
from tracelog.trends.drawing import PATH_WIDTH, Tick, joined, nice_steps, scale_text

HEIGHT = 240.0
_TOP, _FOOT = 24.0, 34.0
_LEFT, _RIGHT = 2.0, 98.0
_CHANCES = (0.1, 0.5, 0.95)


@dataclass(frozen=True)
class CurveFigure:
    """A curve in a box of `path_width` by `height`; ticks in percent along, in pixels up."""

    line: str
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    height: float = HEIGHT
    path_width: float = PATH_WIDTH


def operating_curve(plan: Clearing) -> CurveFigure:
    """The chance that a lot is accepted, against its fraction of bad cans in percent."""
    top = plan.fractions[-1] or 1.0

    def along(fraction: float) -> float:
        return _LEFT + fraction / top * (_RIGHT - _LEFT)

    def height(chance: float) -> float:
        return round(HEIGHT - _FOOT - chance * (HEIGHT - _FOOT - _TOP), 2)

    points = [
        (along(fraction), height(chance))
        for fraction, chance in zip(plan.fractions, plan.accepted, strict=True)
    ]
    steps = [one for one in nice_steps(100 * top, 4) if one <= 100 * top]
    return CurveFigure(
        joined(points),
        tuple(
            Tick(along(one / 100), f"{scale_text(one)} %", "middle" if one else "start")
            for one in steps
        ),
        tuple(Tick(height(one), f"{figure(100 * one, 'g')} %") for one in _CHANCES),
    )
