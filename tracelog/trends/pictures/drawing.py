"""Where the marks of funnels and of years lie: pure arithmetic, so that templates hold none.

Places along the width are percentages and places along the height pixels, as in
`tracelog.trends.drawing`; paths lie in a box of `PATH_WIDTH` that is stretched.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from tracelog.language import figure
from tracelog.trends.drawing import PATH_WIDTH, Tick, nice_steps, scale_text
from tracelog.trends.pictures.funnel import FunnelAnswer, Place, place_words
from tracelog.trends.wording import as_sentence

FUNNEL_HEIGHT = 380.0
YEARS_HEIGHT = 300.0
TOP, FOOT = 24.0, 34.0
LEFT_PERCENT, RIGHT_PERCENT = 2.0, 98.0
# Beyond the right edge of the name there is no room; such a name stands at the left of its mark.
NAME_TURNS_AT = 82.0


@dataclass(frozen=True)
class FunnelMark:
    """One machine or line: its place, its shape's name, its own name if it is written, its text."""

    x: float
    y: float
    shape: str
    name: str
    anchor: str
    text: str


@dataclass(frozen=True)
class FunnelFigure:
    """A funnel: paths in a box of `path_width` by `height`, marks in percent and pixels."""

    inner: tuple[str, str]
    outer: tuple[str, str]
    chance: tuple[str, str]
    mean: float
    marks: tuple[FunnelMark, ...]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    height: float = FUNNEL_HEIGHT
    foot: float = FUNNEL_HEIGHT - FOOT
    path_width: float = PATH_WIDTH


@dataclass(frozen=True)
class Scale:
    """Values from 0 to `top` along a length of pixels (rising) or percent."""

    top: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """The place of a value; what lies beyond the scale lies at its edge."""
        share = min(max(value / self.top, 0.0), 1.0) if self.top > 0 else 0.0
        return round(self.start + share * (self.end - self.start), 2)


def funnel_figure(answer: FunnelAnswer) -> FunnelFigure | None:
    """The funnel of an answer; None where there is nothing to compare."""
    curve = answer.curve
    if curve is None or answer.mean is None:
        return None
    rows = [row for row in answer.rows if row.rate.per_million is not None]
    rates = [row.rate.per_million or 0.0 for row in rows]
    steps = nice_steps(max(1.1 * max(rates), 1.15 * curve.outer_high[-1], 2 * answer.mean))
    y = Scale(steps[-1], FUNNEL_HEIGHT - FOOT, TOP)
    strokes = nice_steps(curve.exposures[-1])
    x = Scale(max(curve.exposures[-1], 1.0), LEFT_PERCENT, RIGHT_PERCENT)
    along = [x.at(exposure) for exposure in curve.exposures]

    def path(values: Sequence[float]) -> str:
        return _path([(place, value) for place, value in zip(along, values, strict=True)], y)

    marks = []
    for row, rate in zip(rows, rates, strict=True):
        place = x.at(row.rate.exposure)
        outside = row.place not in (Place.WITHIN, Place.UNKNOWN)
        text = f"{row.rate.name}: {scale_text(round(rate, 3))}, {place_words(row.place)}"
        turned = place > NAME_TURNS_AT
        name = row.rate.name if outside else ""
        marks.append(
            FunnelMark(place, y.at(rate), row.place, name, "end" if turned else "start", text)
        )
    return FunnelFigure(
        inner=(path(curve.inner_low), path(curve.inner_high)),
        outer=(path(curve.outer_low), path(curve.outer_high)),
        chance=(path(curve.chance_low), path(curve.chance_high)),
        mean=y.at(answer.mean),
        marks=tuple(marks),
        x_ticks=tuple(
            Tick(x.at(step), short_count(step), "middle" if step else "start")
            for step in strokes
            if step <= curve.exposures[-1]
        ),
        y_ticks=tuple(Tick(y.at(step), scale_text(step), "start") for step in steps),
    )


def _path(points: Sequence[tuple[float, float]], y: Scale) -> str:
    """A path through the points; what lies beyond the scale is left out, so that it stays open."""
    path = ""
    for place, value in points:
        if value > y.top:
            path = ""
            continue
        path += f"{'L' if path else 'M'}{place * PATH_WIDTH / 100:g} {y.at(value):g}"
    return path


def short_count(value: float) -> str:
    """A large count in thousands, millions or thousand millions.

    Example:
        >>> short_count(1_250_000), short_count(900), short_count(40_000)
        ('1.25M', '900', '40k')
    """
    for size, unit in ((1e6, "M"), (1e3, "k")):
        if value >= size:
            shown = value / size
            return (
                f"{figure(shown, '.0f')}{unit}"
                if shown >= 1000
                else f"{figure(shown, '.3g')}{unit}"
            )
    return figure(value, ".0f")


def notes_as_sentences(notes: Sequence[str]) -> tuple[str, ...]:
    """Remarks as sentences of their own."""
    return tuple(as_sentence(note) for note in notes)
