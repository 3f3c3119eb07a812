"""The words around figures: units, and what a figure says and does not say."""

from tracelog.language import _
from tracelog.trends.rules import BETWEEN_ENTRIES, ChartKind, Evidence

PER_MILLION_STROKES = "per million strokes"
FRACTION = "fraction"
OCCURRENCES = "occurrences"
CANS = "cans"
STROKES = "strokes"


def unit_of(kind: ChartKind) -> str:
    """The unit of a chart's points and limits, as answers name it."""
    if kind in (ChartKind.U, ChartKind.LANEY_U):
        return PER_MILLION_STROKES
    if kind in BETWEEN_ENTRIES:
        return STROKES
    if kind is ChartKind.C:
        return OCCURRENCES
    return CANS if kind is ChartKind.NP else FRACTION


def unit_words(unit: str) -> str:
    """The unit of a chart for people."""
    words = {
        PER_MILLION_STROKES: _("occurrences per million strokes"),
        FRACTION: _("fraction of the inspected cans that was bad"),
        OCCURRENCES: _("occurrences per point"),
        CANS: _("bad cans per sample"),
        STROKES: _("strokes from one entry to the next"),
    }
    return words[unit]


def rate_unit(evidence: Evidence) -> str:
    """The unit of rates for people."""
    if evidence is Evidence.PRODUCTION:
        return _("occurrences per million strokes")
    return _("bad cans per million inspected")


def chart_name(kind: ChartKind) -> str:
    """What a kind of chart is called on pages."""
    names = {
        ChartKind.AUTO: _("the one that fits"),
        ChartKind.U: _("u: occurrences per strokes"),
        ChartKind.C: _("c: occurrences per point, equal strokes"),
        ChartKind.LANEY_U: _("u with Laney's correction"),
        ChartKind.P: _("p: fraction bad in samples"),
        ChartKind.NP: _("np: bad cans in equal samples"),
        ChartKind.LANEY_P: _("p with Laney's correction"),
        ChartKind.GAPS: _("strokes between entries, exact limits"),
        ChartKind.GAPS_POWER: _("strokes between entries, power transform"),
        ChartKind.G: _("g: strokes between entries, 3-sigma limits"),
    }
    return names[kind]


def evidence_name(evidence: Evidence) -> str:
    """What a kind of evidence is called on pages."""
    if evidence is Evidence.PRODUCTION:
        return _("reports from running production")
    return _("inspected samples")


def as_sentence(text: str) -> str:
    """A remark as a sentence of its own: a large letter first, a full stop last."""
    if not text:
        return ""
    return f"{text[0].upper()}{text[1:]}" + ("" if text.endswith((".", "?", "!")) else ".")


def rates_say(evidence: Evidence) -> tuple[str, str]:
    """What rates say, and what they do not."""
    if evidence is Evidence.SAMPLES:
        return (
            _(
                "The share of inspected cans that was bad. The interval is exact"
                " (Clopper and Pearson, 1934) and holds the true share 95 times in 100."
            ),
            _(
                "It speaks for the cans that the samples were drawn from, and only if they were"
                " drawn without looking first."
            ),
        )
    return (
        _(
            "What was reported per million strokes. The interval is exact (Garwood, 1936): where"
            " it is long, there were few strokes or few reports. The small mark is the same rate"
            " pulled towards all together, the more the less its own figures tell."
        ),
        _(
            "Reports are not inspections: where nobody looks there are no reports. A longer"
            " whisker or a higher dot is no proof of anything worse; overlapping whiskers are a"
            " reason to wait."
        ),
    )


def chart_says(evidence: Evidence, kind: ChartKind) -> tuple[str, str]:
    """What a control chart says, and what it does not."""
    if kind in BETWEEN_ENTRIES:
        return (
            _(
                "How many strokes went by from one entry to the next. Points beyond the dashed"
                " limits, drawn as diamonds, are hard to put down to chance: below, entries came"
                " too soon after each other, above, they stayed away for long."
            ),
            _(
                "Points inside the limits are no proof that all is well. A long gap may be a"
                " silent log: where nobody looks there are no entries."
            ),
        )
    return (
        _(
            "Points beyond the dashed limits, drawn as diamonds, are hard to put down to chance:"
            " something was different there. The limits come from the baseline's own points."
        ),
        _(
            "Points inside the limits are no proof that all is well, and a point outside does not"
            " say why. A limit at 0 means that no point can be too low."
        )
        if evidence is Evidence.PRODUCTION
        else _(
            "Points inside the limits are no proof that all is well, and a point outside does not"
            " say why. Samples that were picked for looking bad spoil the chart."
        ),
    )


def pareto_says() -> tuple[str, str]:
    """What a Pareto figure says, and what it does not."""
    return (
        _("Which kinds of defect were reported most, and what share the first ones have together."),
        _(
            "How often is not how bad: a rare leak can weigh more than many scuffs. Kinds that"
            " nobody reports are missing, not absent."
        ),
    )
