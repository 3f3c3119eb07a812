"""Which chart a series gets when its events are rare, and which points complete a run rule.

Pure: values in, values out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tracelog.language import _
from tracelog.stats.chart import Chart
from tracelog.stats.rare import g_chart, gaps_chart, transformed_gaps_chart
from tracelog.stats.run_rules import RuleHits, nelson, western_electric
from tracelog.trends.rules import BETWEEN_ENTRIES, LEAST_MEAN_COUNT, ChartKind, Chosen, Evidence
from tracelog.trends.series.rules import RunRules

# Fewer gaps than this say too little about the mean that the limits come from. Common practice,
# no source.
LEAST_GAPS = 5
# More entries than this are not rare, and a point for each could not be read.
MOST_GAPS = 500
# The power of `power_transform`, undone.
_BACK = 1 / 0.2777


def may_be_between(evidence: Evidence, mean: float) -> bool:
    """Whether production counts so little a point that a chart of counts has no use.

    Below `LEAST_MEAN_COUNT` a point most limits begin at 0 and a single event lies near the upper
    one. Common practice, no source.
    """
    return evidence is Evidence.PRODUCTION and mean < LEAST_MEAN_COUNT


def too_few_gaps() -> str:
    """Why a chart of what is rare is not one of strokes between entries."""
    return _(
        "from %(least)d to %(most)d gaps in the baseline would be charted by the strokes between"
        " entries; here there are fewer or more",
        least=LEAST_GAPS,
        most=MOST_GAPS,
    )


def drawn_between(
    kind: ChartKind, strokes_between: Sequence[int], baseline: Sequence[bool], mean: float
) -> Chosen:
    """A chart of the strokes between one entry and the next, in strokes.

    Args:
        kind: `auto` takes the exact limits of an exponential distribution.
        strokes_between: for each entry, the strokes since the one before; in order of time.
        baseline: true for the gaps that set the centre.
        mean: how much a point of the chart of counts would hold, for the sentence.

    Raises:
        ValueError: no gap of the baseline holds any stroke.
    """
    used = [gap for gap, is_used in zip(strokes_between, baseline, strict=True) if is_used]
    if not any(used):
        raise ValueError(
            _("the baseline holds no two entries with strokes between them; choose a longer one")
        )
    if kind is ChartKind.AUTO:
        why = _(
            "%(mean).2g occurrences a point on average, fewer than %(least)g, are too few to chart"
            " counts; so each point is the strokes from one entry to the next, with the exact"
            " limits of chance at a steady rate",
            mean=mean,
            least=LEAST_MEAN_COUNT,
        )
        return Chosen(ChartKind.GAPS, gaps_chart(strokes_between, baseline=baseline), why)
    drawn = {
        ChartKind.GAPS: lambda: gaps_chart(strokes_between, baseline=baseline),
        ChartKind.GAPS_POWER: lambda: _power_chart(strokes_between, baseline),
        ChartKind.G: lambda: g_chart(strokes_between, baseline=baseline),
    }[kind]()
    return Chosen(kind, drawn, _("chosen by you"))


def _power_chart(strokes_between: Sequence[int], baseline: Sequence[bool]) -> Chart:
    """The chart of transformed gaps, told in strokes again: the transform keeps the order.

    Source: Nelson (1994), J. Quality Technology 26(3) 239-240.
    """
    if sum(baseline) < 2:
        raise ValueError(_("the power transform needs at least two gaps in the baseline"))
    drawn = transformed_gaps_chart(strokes_between, baseline).level

    def back(values: "np.typing.NDArray[np.float64]") -> "np.typing.NDArray[np.float64]":
        return np.asarray(np.maximum(values, 0.0) ** _BACK, dtype=np.float64)

    return replace(
        drawn,
        statistic=np.asarray(strokes_between, dtype=np.float64),
        centre=float(max(drawn.centre, 0.0) ** _BACK),
        upper=back(drawn.upper),
        lower=back(drawn.lower),
        centre_line=back(drawn.centre_line),
    )


def between_cautions(gaps: int) -> list[str]:
    """What to know before reading a chart of gaps.

    Args:
        gaps: how many set the limits.
    """
    told = [
        _(
            "each point is an entry, and a low one is bad news: few strokes since the entry before;"
            " a single gap tells little, so look for several short ones together"
        )
    ]
    if gaps < 2 * LEAST_GAPS:
        told.append(
            _("only %(gaps)d gaps set the centre and the limits; that says little", gaps=gaps)
        )
    return told


@dataclass(frozen=True)
class RuleFound:
    """One run rule of a set, and the places (from 0) of the points that complete its pattern."""

    name: str
    pattern: str
    places: tuple[int, ...]


def rules_found(rules: RunRules, chart: Chart, first: int = 0) -> tuple[RuleFound, ...]:
    """The rules of a set with the points that complete their patterns.

    Args:
        rules: which set.
        chart: as drawn.
        first: place of the first point that is shown; those before it are neither looked at nor
            counted.
    """
    if rules is RunRules.NONE:
        return ()
    hits: tuple[RuleHits, ...] = (
        western_electric(chart.z[first:])
        if rules is RunRules.WESTERN_ELECTRIC
        else nelson(chart.z[first:])
    )
    return tuple(
        RuleFound(one.name, one.pattern, tuple(int(place) for place in one.points)) for one in hits
    )


def rules_caution(rules: RunRules) -> list[str]:
    """What looking for patterns costs."""
    if rules is RunRules.NONE:
        return []
    if rules is RunRules.WESTERN_ELECTRIC:
        return [
            _(
                "all four rules together call a steady process once in 92 points (Champ and"
                " Woodall, 1987); without them it is once in 370"
            )
        ]
    return [_("eight rules at once call a steady process far more often than its limits alone do")]


def is_between(kind: ChartKind) -> bool:
    """Whether a chart's points are entries."""
    return kind in BETWEEN_ENTRIES
