"""The course since a fix as paths of a drawing: happenings, what was to be expected, the limit."""

from collections.abc import Sequence
from dataclasses import dataclass

from tracelog.cases.since.rules import Point
from tracelog.language import figure

WIDTH, HEIGHT = 640.0, 220.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 8.0, 10.0, 26.0


@dataclass(frozen=True)
class CoursePicture:
    """Paths within `width` by `height`.

    Attributes:
        happened: steps of the happenings.
        expected: a line at the rate of before.
        limit: steps of the most that would show a fall; blank where nothing shows it yet.
        shown: a closed area at or below the limit.
        end: where the happenings end.
        up, along: ticks with their labels: happenings by height, strokes by place.
    """

    happened: str
    expected: str
    limit: str
    shown: str
    end: tuple[float, float]
    up: tuple[tuple[float, str], ...]
    along: tuple[tuple[float, str], ...]
    width: float = WIDTH
    height: float = HEIGHT


def picture_of(points: Sequence[Point]) -> CoursePicture | None:
    """The drawing of a course; None where it has no points or no strokes."""
    if not points or points[-1].strokes <= 0:
        return None
    most_strokes = points[-1].strokes
    most = max(points[-1].happenings, points[-1].expected, points[-1].limit or 0, 1.0) * 1.05

    def x(strokes: float) -> float:
        return round(_LEFT + strokes / most_strokes * (WIDTH - _LEFT - _RIGHT), 1)

    def y(count: float) -> float:
        return round(HEIGHT - _BOTTOM - count / most * (HEIGHT - _TOP - _BOTTOM), 1)

    happened = f"M{x(0)} {y(0)}"
    for point in points:
        happened += f"H{x(point.strokes)}V{y(point.happenings)}"
    last = points[-1]
    limited = [point for point in points if point.limit is not None]
    limit, shown = "", ""
    if limited:
        level = limited[0].limit or 0
        limit = f"M{x(limited[0].strokes)} {y(level)}"
        for point in limited[1:]:
            limit += f"H{x(point.strokes)}V{y(point.limit or 0)}"
        shown = f"{limit}V{y(0)}H{x(limited[0].strokes)}Z"
    return CoursePicture(
        happened,
        f"M{x(0)} {y(0)}L{x(most_strokes)} {y(last.expected)}",
        limit,
        shown,
        (x(last.strokes), y(last.happenings)),
        tuple((y(count), figure(count, "g")) for count in _ticks(most)),
        tuple((x(count), figure(count / 1e6, "g")) for count in _ticks(most_strokes)),
    )


def _ticks(most: float) -> list[float]:
    """Four or so round numbers from 0 up to `most`."""
    step = 1.0
    while most / step > 5:
        step *= 10
    while most / step < 0.5:
        step /= 10
    for part in (5, 2):
        if most / (step / part) <= 5:
            step /= part
            break
    return [place * step for place in range(int(most / step) + 1)]
