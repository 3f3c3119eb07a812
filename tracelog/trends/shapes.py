"""What can be asked of rates and charts over the API, and what the answers look like."""

from tracelog.buckets import Bucket
from tracelog.trends.questions import BUCKET_PER_SAMPLE, CHART_FIELDS, RATE_FIELDS, SEVERAL
from tracelog.trends.rules import By, ChartKind, Evidence
from tracelog.trends.series.rules import EventKind, RunRules
from tracelog.web.shapes import (
    ASKED_INSTANT,
    ASKED_MOMENT,
    COUNT,
    ID,
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

_BUCKETS = [*Bucket]
_WORDS = "|".join(By)
_ABOUT: dict[str, tuple[Shape, str]] = {
    "by": (
        {"type": "string", "pattern": f"^({_WORDS})( *, *({_WORDS}))?$", "example": "tool,crew"},
        f"what the rates are told apart by, one word or two with a comma between: {', '.join(By)};"
        " machine unless said otherwise",
    ),
    "line": ({"type": "integer", "minimum": 1, "maximum": 999}, "only of this line"),
    "machine": (TEXT, "only of this machine, such as 3-7"),
    "defect": (TEXT, "kinds of defect, counted together; every kind unless said otherwise"),
    "from": (ASKED_MOMENT, "from then on; 28 days before the end unless said otherwise"),
    "to": (ASKED_MOMENT, "before then; a day belongs to the period"),
    "evidence": (words(*Evidence), "reports from running production, or samples inspected"),
    "bucket": (words(*_BUCKETS, BUCKET_PER_SAMPLE), "how long the periods are"),
    "as_of": (ASKED_INSTANT, "only what was known by then"),
    "shrink": (words("yes", "no"), "pull each rate towards the plant's by how little it tells"),
    "chart": (words(*ChartKind), "which control chart; auto leaves it to the evidence"),
    "baseline_from": (ASKED_MOMENT, "start of the period that sets centre and limits"),
    "baseline_to": (ASKED_MOMENT, "end of that period"),
    "exclude": (ASKED_MOMENT, "starts of points that set neither; they are drawn all the same"),
    "rules": (words(*RunRules), "the set of run rules looked for beside the limits; usually none"),
}


def _asked(names: tuple[str, ...]) -> tuple[Asked, ...]:
    return tuple(Asked(name, *_ABOUT[name], several=name in SEVERAL) for name in names)


_RATE: dict[str, Shape] = {
    "name": TEXT,
    "machine": maybe(TEXT),
    "line": maybe(COUNT),
    "defect": maybe(TEXT),
    "tool": maybe(TEXT),
    "tool_type": maybe(TEXT),
    "coil": maybe(TEXT),
    "crew": maybe(TEXT),
    "shift": maybe(TEXT),
    "hour": maybe(COUNT),
    "station": maybe(TEXT),
    "from": INSTANT,
    "to": INSTANT,
    "cans": COUNT,
    "occurrences": maybe(COUNT),
    "entries": COUNT,
    "strokes": maybe(COUNT),
    "inspected": maybe(COUNT),
    "per_million": maybe(NUMBER),
    "low": maybe(NUMBER),
    "high": maybe(NUMBER),
    "shrunk": maybe(NUMBER),
    "probability_worst": maybe(NUMBER),
    "note": maybe(TEXT),
}
_ASKED_FOR: dict[str, Shape] = {
    "defect": maybe(TEXT),
    "defects": maybe(many(TEXT)),
    "evidence": TEXT,
    "from": INSTANT,
    "to": INSTANT,
    "as_of": maybe(INSTANT),
    "line": maybe(COUNT),
    "bucket": maybe(TEXT),
}
RATES = fields(
    {
        **_ASKED_FOR,
        "by": TEXT,
        "rates": many(fields(_RATE)),
        "together": fields(_RATE),
        "unsettled": fields({"cans": COUNT, "occurrences": COUNT, "entries": COUNT}),
        "machines_alike": YES_NO,
        "notes": many(TEXT),
    }
)
FROZEN: dict[str, Shape] = {
    "id": ID,
    "starts_at": maybe(INSTANT),
    "ends_at": maybe(INSTANT),
    "reason": TEXT,
    "frozen_at": INSTANT,
    "frozen_by": TEXT,
}
CHART = fields(
    {
        **_ASKED_FOR,
        "chart": TEXT,
        "why": TEXT,
        "unit": TEXT,
        "machine": maybe(TEXT),
        "baseline": maybe(many(INSTANT)),
        "frozen_baseline": maybe(fields(FROZEN)),
        "run_rules": words(*RunRules),
        "rules": many(fields({"name": TEXT, "pattern": TEXT, "points": many(COUNT)})),
        "centre": maybe(NUMBER),
        "sigma_z": maybe(NUMBER),
        "outside": many(COUNT),
        "points": many(
            fields(
                {
                    "number": COUNT,
                    "from": INSTANT,
                    "to": INSTANT,
                    "count": COUNT,
                    "exposure": COUNT,
                    "value": maybe(NUMBER),
                    "lower": maybe(NUMBER),
                    "upper": maybe(NUMBER),
                    "outside": YES_NO,
                    "baseline": YES_NO,
                    "rules": many(TEXT),
                    "entry": maybe(ID),
                }
            )
        ),
        "events": many(
            fields(
                {
                    "at": INSTANT,
                    "kind": words(*EventKind),
                    "what": TEXT,
                    "more": maybe(TEXT),
                    "machine": maybe(TEXT),
                    "line": maybe(COUNT),
                }
            )
        ),
        "notes": many(TEXT),
    }
)
RATES_CALL = Call(
    "Rates per million strokes, or per million cans inspected, with exact 95 % intervals.",
    answers_with(RATES),
    asked=_asked(RATE_FIELDS),
)
CHART_CALL = Call(
    "A control chart: points, centre, limits, and the points outside.",
    answers_with(CHART),
    asked=_asked(CHART_FIELDS),
)
