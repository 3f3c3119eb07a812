"""What to know before reading a chart of measured values. Pure: values in, sentences out."""

from tracelog.language import _
from tracelog.reference_rows import Characteristic
from tracelog.trends.measured.answers import MeasureAnswer
from tracelog.trends.measured.rules import (
    CUSUM_LIMIT,
    CUSUM_SLACK,
    ENOUGH_POINTS,
    EWMA_WEIGHT,
    Drawn,
    MeasuredChart,
    sets_few,
)
from tracelog.trends.series.choosing import rules_caution
from tracelog.trends.series.rules import RunRules


def cautions(
    answer: MeasureAnswer, drawn: Drawn, known: Characteristic | None, in_other_units: int
) -> list[str]:
    """The sentences that belong beside a chart, the most important first.

    Args:
        answer: the chart.
        drawn: what it was drawn from.
        known: the characteristic in the vocabulary, None if it has none.
        in_other_units: values that were left out because of their unit.
    """
    return [
        *_of_values(answer, drawn, in_other_units),
        *_of_chart(answer, drawn),
        *_of_shape(answer, known),
    ]


def _of_values(answer: MeasureAnswer, drawn: Drawn, in_other_units: int) -> list[str]:
    told = []
    machines = len({point.machine for point in answer.points})
    if machines > 1:
        told.append(
            _(
                "these values come from %(machines)d machines: points outside may only say that"
                " machines differ, so choose one machine to see whether it is steady",
                machines=machines,
            )
        )
    if in_other_units:
        told.append(
            _(
                "%(count)d values in another unit than %(unit)s are left out",
                count=in_other_units,
                unit=answer.unit or _("none"),
            )
        )
    if drawn.left_out:
        told.append(_("%(count)d values that were taken alone are left out", count=drawn.left_out))
    used = int(drawn.level.baseline.sum())
    if sets_few(used):
        told.append(
            _(
                "only %(used)d points set the limits; %(enough)d to 25 are usual (Montgomery,"
                " sec. 6.2)",
                used=used,
                enough=ENOUGH_POINTS,
            )
        )
    return told


def _of_chart(answer: MeasureAnswer, drawn: Drawn) -> list[str]:
    if drawn.kind is MeasuredChart.EWMA:
        return [
            _(
                "each point is a weighted average of all so far, the newest with weight"
                " %(weight)g (Roberts, 1959); it finds small lasting shifts, and a point outside"
                " does not belong to its own moment alone",
                weight=EWMA_WEIGHT,
            ),
            *_no_rules(answer),
        ]
    if drawn.kind is MeasuredChart.CUSUM:
        return [
            _(
                "the upper line adds up what lies above the centre, the lower one what lies below,"
                " beyond %(slack)g standard errors of a point, and either signals beyond %(limit)g"
                " (Page, 1954; a steady process is called once in 465 points)",
                slack=CUSUM_SLACK,
                limit=CUSUM_LIMIT,
            ),
            *_no_rules(answer),
        ]
    return rules_caution(answer.question.rules)


def _no_rules(answer: MeasureAnswer) -> list[str]:
    if answer.question.rules is RunRules.NONE:
        return []
    return [
        _(
            "run rules are for points that do not depend on each other, so none are looked for"
            " on this chart"
        )
    ]


def _of_shape(answer: MeasureAnswer, known: Characteristic | None) -> list[str]:
    if known is None:
        return [_("the vocabulary does not know this characteristic, so it has no default limits")]
    told = []
    if known.shape == "skewed" and not answer.is_log:
        told.append(
            _(
                "%(name)s cannot be below 0 and has a long upper tail: limits that assume a normal"
                " distribution call too often above and never below, so a single point outside"
                " says less than usual (Montgomery, sec. 6.4)",
                name=_(known.name),
            )
        )
    if answer.is_log:
        told.append(
            _(
                "charted as logarithms, which makes a skewed figure more nearly normal"
                " (Montgomery, sec. 6.4); level and limits are shown in the unit again, the spread"
                " is of natural logarithms"
            )
        )
    if answer.unit is not None and answer.unit != known.unit:
        told.append(
            _(
                "the values are in %(unit)s and the default limits in %(usual)s, so these are not"
                " used",
                unit=answer.unit,
                usual=known.unit,
            )
        )
    return told
