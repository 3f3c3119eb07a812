"""What the page of one gauge study shows: texts and the figure by part and appraiser."""

from collections.abc import Sequence
from dataclasses import dataclass

from tracelog.language import _, figure
from tracelog.trends.drawing import Tick
from tracelog.trends.measured.drawing import Scale
from tracelog.trends.measured.gauge_rules import GaugeResult
from tracelog.trends.measured.gauge_studies import StudyAnswer
from tracelog.trends.measured.wording import Write, characteristic_name, digits_for, writer
from tracelog.trends.wording import as_sentence

_HEIGHT = 300.0
_TOP, _FOOT = 24.0, 32.0
# Outlines that are told apart without colour; more appraisers than these share them.
SHAPES = (
    "M-6 0A6 6 0 1 0 6 0A6 6 0 1 0 -6 0Z",
    "M-6 -6H6V6H-6Z",
    "M0 -7L7 6H-7Z",
    "M0 -8L8 0L0 8L-8 0Z",
    "M-6 -6L6 6M-6 6L6 -6",
)


@dataclass(frozen=True)
class GaugeMark:
    """One reading: its place in percent and pixels, its outline, and what it says."""

    x: float
    y: float
    path: str
    text: str


@dataclass(frozen=True)
class MeanLine:
    """The mean of one part: from and to in percent, height in pixels."""

    x1: float
    x2: float
    y: float


@dataclass(frozen=True)
class GaugeFigure:
    """All readings by part, each appraiser with an outline of its own."""

    marks: tuple[GaugeMark, ...]
    means: tuple[MeanLine, ...]
    key: tuple[tuple[str, str], ...]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    height: float


@dataclass(frozen=True)
class GaugePage:
    """Everything that the page of one study shows; rows are texts."""

    answer: StudyAnswer
    name: str
    unit: str
    says: tuple[str, ...]
    why_not: str
    limits_say: str
    components: tuple[tuple[str, ...], ...]
    table: tuple[tuple[str, ...], ...]
    readings: tuple[tuple[str, ...], ...]
    figure: GaugeFigure | None


def gauge_page(answer: StudyAnswer) -> GaugePage:
    """Everything that the page shows of one study."""
    result = answer.result
    digits = 4
    if result is not None:
        digits = digits_for(result.components[0].sigma or None)
    write = writer(digits)
    return GaugePage(
        answer=answer,
        name=characteristic_name(answer.characteristic),
        unit=answer.unit or _("no unit given"),
        says=() if result is None else (*result.says, result.pooled_because),
        why_not=as_sentence(answer.why_not),
        limits_say=_limits_say(answer),
        components=() if result is None else _components(result),
        table=() if result is None else _table(result),
        readings=tuple(
            (one.part, one.appraiser, str(one.trial), figure(one.value, "g"))
            for one in answer.readings
        ),
        figure=None if result is None else gauge_figure(result, write),
    )


def _limits_say(answer: StudyAnswer) -> str:
    limits = answer.limits
    if limits.lower is None or limits.upper is None:
        return _("The share of the tolerance needs a lower and an upper limit.")
    text = _(
        "Tolerance from %(lower)g to %(upper)g %(unit)s.",
        lower=limits.lower,
        upper=limits.upper,
        unit=answer.unit or "",
    )
    if limits.are_defaults:
        text += " " + _(
            "These are starting defaults (common practice): the plant's own specification always"
            " wins."
        )
    return text


def component_name(word: str) -> str:
    """What a component of the spread is called on pages."""
    names = {
        "gauge": _("gauge in all"),
        "repeatability": _("repeatability"),
        "reproducibility": _("reproducibility"),
        "appraisers": _("of it appraisers"),
        "interaction": _("of it appraisers by part"),
        "parts": _("parts"),
        "total": _("total"),
        "operators": _("appraisers"),
        "error": _("repeatability"),
    }
    return names[word]


def _components(result: GaugeResult) -> tuple[tuple[str, ...], ...]:
    return tuple(
        (
            component_name(one.name),
            figure(one.variance, ".3g"),
            _percent(100 * one.variance_share),
            figure(one.sigma, ".3g"),
            figure(one.study_variation, ".3g"),
            _percent(one.percent_of_study),
            _percent(one.percent_of_tolerance),
        )
        for one in result.components
    )


def _percent(value: float | None) -> str:
    return "" if value is None else f"{figure(value, '.1f')} %"


def _table(result: GaugeResult) -> tuple[tuple[str, ...], ...]:
    return tuple(
        (
            _("appraisers by part") if row.source == "interaction" else component_name(row.source),
            str(row.freedom),
            figure(row.sum_of_squares, ".4g"),
            "" if row.mean_square is None else figure(row.mean_square, ".4g"),
            "" if row.f is None else figure(row.f, ".2f"),
            "" if row.p is None else _("under 0.001") if row.p < 0.001 else figure(row.p, ".3f"),
        )
        for row in result.table
    )


def gauge_figure(result: GaugeResult, write: Write) -> GaugeFigure:
    """All readings by part, in the order of parts; within a part appraisers side by side."""
    values = result.values
    scale = Scale([float(values.min()), float(values.max())], _HEIGHT - _FOOT, _TOP)
    # A strip on the left is kept for the scale.
    left, share = 8.0, 90.0 / len(result.parts)
    beside = share / (len(result.appraisers) + 1)
    marks, means = [], []
    for place, part in enumerate(result.parts):
        start = left + share * place
        means.append(
            MeanLine(
                round(start + 0.1 * share, 3),
                round(start + 0.9 * share, 3),
                scale.at(float(values[place].mean())),
            )
        )
        for number, appraiser in enumerate(result.appraisers):
            x = round(start + beside * (number + 1), 3)
            for value in values[place, number].tolist():
                text = _(
                    "part %(part)s, %(appraiser)s: %(value)s",
                    part=part,
                    appraiser=appraiser,
                    value=write(value),
                )
                marks.append(GaugeMark(x, scale.at(value), SHAPES[number % len(SHAPES)], text))
    return GaugeFigure(
        marks=tuple(marks),
        means=tuple(means),
        key=tuple(
            (appraiser, SHAPES[number % len(SHAPES)])
            for number, appraiser in enumerate(result.appraisers)
        ),
        x_ticks=_part_ticks(result.parts, left, share),
        y_ticks=scale.ticks(),
        height=_HEIGHT,
    )


def _part_ticks(parts: Sequence[str], left: float, share: float) -> tuple[Tick, ...]:
    """The name below each part, shortened; where there are many, below every other or fewer."""
    every = max(1, -(-len(parts) // 10))
    return tuple(
        Tick(round(left + share * (place + 0.5), 3), part[:6], "middle")
        for place, part in enumerate(parts)
        if place % every == 0
    )
