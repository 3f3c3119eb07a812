"""What can be asked of measured values over the API, and what the answers look like."""

from tracelog.trends.measured.gauge_studies import STUDY_FIELDS
from tracelog.trends.measured.questions import MEASURE_FIELDS
from tracelog.trends.measured.rules import MeasuredChart, Scale
from tracelog.trends.series.rules import RunRules
from tracelog.trends.shapes import FROZEN
from tracelog.web.shapes import (
    ASKED_INSTANT,
    ASKED_MOMENT,
    COUNT,
    INSTANT,
    NUMBER,
    TEXT,
    YES_NO,
    Asked,
    Call,
    Shape,
    answers_with,
    fields,
    many,
    maybe,
    words,
)

_LIMIT = "a number in the unit of the values, or none; else the starting default"
_ABOUT: dict[str, tuple[Shape, str]] = {
    "characteristic": (TEXT, "what was measured, as in measurements.csv"),
    "line": ({"type": "integer", "minimum": 1, "maximum": 999}, "only of this line"),
    "machine": (TEXT, "only of this machine, such as 3-7"),
    "from": (ASKED_MOMENT, "from then on; 28 days before the end unless said otherwise"),
    "to": (ASKED_MOMENT, "before then; a day belongs to the period"),
    "chart": (words(*MeasuredChart), "which chart; auto leaves it to how values were taken"),
    "scale": (words(*Scale), "values as they are or their logarithms; auto: as suits them"),
    "lower": (TEXT, f"lower specification limit: {_LIMIT}"),
    "target": (TEXT, f"target: {_LIMIT}"),
    "upper": (TEXT, f"upper specification limit: {_LIMIT}"),
    "rules": (words(*RunRules), "the set of run rules looked for beside the limits; usually none"),
    "baseline_from": (ASKED_MOMENT, "start of the period that sets centre and limits"),
    "baseline_to": (ASKED_MOMENT, "end of that period"),
    "as_of": (ASKED_INSTANT, "only what was measured by then"),
}


def _asked(names: tuple[str, ...]) -> tuple[Asked, ...]:
    return tuple(Asked(name, *_ABOUT[name]) for name in names)


_LIMITS: dict[str, Shape] = {
    "lower": maybe(NUMBER),
    "upper": maybe(NUMBER),
    "starting_defaults": YES_NO,
}
_POINT = fields(
    {
        "number": COUNT,
        "at": INSTANT,
        "machine": TEXT,
        "size": COUNT,
        **dict.fromkeys(("value", "lower", "centre", "upper", "fall", "spread"), maybe(NUMBER)),
        **dict.fromkeys(("spread_lower", "spread_centre", "spread_upper"), maybe(NUMBER)),
        "outside": YES_NO,
        "spread_outside": YES_NO,
        "baseline": YES_NO,
        "rules": many(TEXT),
    }
)
_INDEX = fields({"name": TEXT, "value": maybe(NUMBER), "low": maybe(NUMBER), "high": maybe(NUMBER)})
_CAPABILITY = fields(
    {
        "values": COUNT,
        **dict.fromkeys(("mean", "sigma_within", "sigma_overall"), maybe(NUMBER)),
        "indices": many(_INDEX),
        "why_not": maybe(TEXT),
        "outside": COUNT,
        "outside_fraction_low": NUMBER,
        "outside_fraction_high": NUMBER,
        **dict.fromkeys(("expected_below", "expected_above", "normal_p"), maybe(NUMBER)),
        "normal": TEXT,
    }
)
MEASURED_CHART = fields(
    {
        "characteristic": TEXT,
        "unit": maybe(TEXT),
        "machine": maybe(TEXT),
        "line": maybe(COUNT),
        "from": INSTANT,
        "to": INSTANT,
        "as_of": maybe(INSTANT),
        "chart": words(*MeasuredChart),
        "why": TEXT,
        "scale": words("plain", "log"),
        "centre": maybe(NUMBER),
        "sigma": maybe(NUMBER),
        "specification": fields({**_LIMITS, "target": maybe(NUMBER)}),
        "baseline": maybe(many(INSTANT)),
        "frozen_baseline": maybe(fields(FROZEN)),
        "run_rules": words(*RunRules),
        "rules": many(fields({"name": TEXT, "pattern": TEXT, "points": many(COUNT)})),
        "points": many(_POINT),
        "capability": maybe(_CAPABILITY),
        "notes": many(TEXT),
    }
)
MEASURED_CHART_CALL = Call(
    "A chart of measured values with its marked points, and their capability.",
    answers_with(MEASURED_CHART),
    asked=_asked(MEASURE_FIELDS),
)
_STUDY: dict[str, Shape] = {
    "study": TEXT,
    "characteristic": TEXT,
    "unit": maybe(TEXT),
    "readings": COUNT,
}
GAUGE_STUDIES_CALL = Call(
    "The gauge studies on record, the latest first.",
    answers_with(
        fields(
            {
                "studies": many(
                    fields(
                        {
                            **_STUDY,
                            "parts": COUNT,
                            "appraisers": COUNT,
                            "first_at": INSTANT,
                            "last_at": INSTANT,
                        }
                    )
                )
            }
        )
    ),
    asked=_asked(("as_of",)),
)
_COMPONENT = fields(
    {
        "name": TEXT,
        **dict.fromkeys(("variance", "variance_share", "sigma", "study_variation"), NUMBER),
        "percent_of_study": NUMBER,
        "percent_of_tolerance": maybe(NUMBER),
    }
)
_VARIANCE_ROW = fields(
    {
        "source": TEXT,
        "freedom": COUNT,
        "sum_of_squares": NUMBER,
        "mean_square": maybe(NUMBER),
        "f": maybe(NUMBER),
        "p": maybe(NUMBER),
    }
)
GAUGE_STUDY_CALL = Call(
    "One gauge study: its analysis of variance and what the gauge takes of the spread.",
    answers_with(
        fields(
            {
                **_STUDY,
                "as_of": maybe(INSTANT),
                "specification": fields(_LIMITS),
                "why_not": maybe(TEXT),
                "parts": many(TEXT),
                "appraisers": many(TEXT),
                "trials": maybe(COUNT),
                "interaction_pooled": maybe(YES_NO),
                "interaction": maybe(TEXT),
                "categories": maybe(COUNT),
                "components": many(_COMPONENT),
                "table": many(_VARIANCE_ROW),
                "says": many(TEXT),
            }
        )
    ),
    asked=(Asked("name", TEXT, "what the study is called", place="path"), *_asked(STUDY_FIELDS)),
    problems=(404,),
)
