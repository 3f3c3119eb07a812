"""What the page of year against year shows: the paired chart, and names of months and weeks."""

from dataclasses import dataclass

from tracelog.language import _
from tracelog.trends.drawing import Tick, nice_steps, scale_text
from tracelog.trends.pictures.drawing import FOOT, TOP, YEARS_HEIGHT, Scale
from tracelog.trends.pictures.questions import Step
from tracelog.trends.pictures.years import Change, Pair, Tallied, YearsAnswer, change_words

# Both marks of a pair stand this far to the left and right of its middle, as a share of its width.
APART = 0.2
MOST_LABELS = 13


@dataclass(frozen=True)
class YearMark:
    """A rate with its interval: percent along the width, pixels along the height."""

    x: float
    y: float
    low: float
    high: float
    is_now: bool
    change: str
    text: str


@dataclass(frozen=True)
class YearsFigure:
    """Pairs of marks with their intervals."""

    marks: tuple[YearMark, ...]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    height: float = YEARS_HEIGHT
    foot: float = YEARS_HEIGHT - FOOT


def period_name(number: int, step: Step) -> str:
    """A month or a week for people."""
    if step is Step.WEEK:
        return f"W{number:02d}"
    names = (
        *(_("January"), _("February"), _("March"), _("April"), _("May"), _("June"), _("July")),
        *(_("August"), _("September"), _("October"), _("November"), _("December")),
    )
    return names[number - 1]


def years_figure(answer: YearsAnswer) -> YearsFigure | None:
    """The paired chart; None where neither year has a rate."""
    pairs = answer.pairs
    told = [one for pair in pairs for one in (pair.before, pair.now) if one is not None]
    rates = [one.per_million for one in told if one.per_million is not None]
    if not rates:
        return None
    highs = sorted(one.high for one in told if one.high is not None)
    top = nice_steps(max(1.3 * max(rates), highs[len(highs) // 2] if highs else 0.0))
    y = Scale(top[-1], YEARS_HEIGHT - FOOT, TOP)
    width = 96.0 / len(pairs)
    marks = []
    for index, pair in enumerate(pairs):
        middle = 3 + width * (index + 0.5)
        for tallied, shift, is_now in ((pair.before, -APART, False), (pair.now, APART, True)):
            if tallied is not None and tallied.per_million is not None:
                x = round(middle + shift * width, 2)
                marks.append(_mark(answer, pair, tallied, x, y, is_now=is_now))
    step = answer.question.step
    every = 1 if len(pairs) <= MOST_LABELS else 4
    ticks = tuple(
        Tick(round(3 + width * (index + 0.5), 2), period_name(pair.number, step)[:3])
        for index, pair in enumerate(pairs)
        if index % every == 0
    )
    heights = tuple(Tick(y.at(value), scale_text(value), "start") for value in top)
    return YearsFigure(tuple(marks), ticks, heights)


def _mark(
    answer: YearsAnswer, pair: Pair, tallied: Tallied, x: float, y: Scale, *, is_now: bool
) -> YearMark:
    rate = tallied.per_million or 0.0
    year = answer.question.year if is_now else answer.question.year - 1
    text = f"{period_name(pair.number, answer.question.step)} {year}: {scale_text(round(rate, 3))}"
    clear = is_now and pair.change in (Change.ROSE, Change.FELL)
    if clear:
        text = f"{text}, {change_words(pair.change)}"
    high = y.top if tallied.high is None else tallied.high
    shown = str(pair.change) if clear else ""
    return YearMark(x, y.at(rate), y.at(tallied.low or 0.0), y.at(high), is_now, shown, text)
