"""What can be asked of funnel and years over the API, and what the answers look like."""

from tracelog.trends.pictures.funnel import Place
from tracelog.trends.pictures.questions import FUNNEL_FIELDS, YEAR_FIELDS, Compared, Step
from tracelog.trends.pictures.years import Change
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

_ABOUT: dict[str, tuple[Shape, str]] = {
    "by": (words(*Compared), "what is set side by side; machine unless said otherwise"),
    "line": ({"type": "integer", "minimum": 1, "maximum": 999}, "only of this line"),
    "machine": (TEXT, "only of this machine, such as 3-7"),
    "defect": (TEXT, "kinds of defect, counted together; every kind unless said otherwise"),
    "from": (ASKED_MOMENT, "from then on; 28 days before the end unless said otherwise"),
    "to": (ASKED_MOMENT, "before then; a day belongs to the period"),
    "year": (
        {"type": "integer", "minimum": 1990, "maximum": 2200},
        "which year; that of the latest data unless said otherwise",
    ),
    "step": (words(*Step), "months of the calendar or weeks of ISO 8601; usually month"),
    "as_of": (ASKED_INSTANT, "only what was known by then"),
}


def _asked(names: tuple[str, ...]) -> tuple[Asked, ...]:
    return tuple(Asked(name, *_ABOUT[name], several=name == "defect") for name in names)


_PLACE: dict[str, Shape] = {
    "defects": maybe(many(TEXT)),
    "line": maybe(COUNT),
    "as_of": maybe(INSTANT),
}
_FUNNEL_ROW: dict[str, Shape] = {
    "name": TEXT,
    "machine": maybe(TEXT),
    "line": maybe(COUNT),
    "occurrences": COUNT,
    "cans": COUNT,
    "strokes": COUNT,
    "per_million": maybe(NUMBER),
    "low": maybe(NUMBER),
    "high": maybe(NUMBER),
    "shrunk": maybe(NUMBER),
    "probability_worst": maybe(NUMBER),
    "place": words(*Place),
    "inner_limits": maybe(many(NUMBER)),
    "outer_limits": maybe(many(NUMBER)),
    "note": maybe(TEXT),
}
FUNNEL_CALL = Call(
    "Machines or lines beside each other, with limits from the plant's own spread.",
    answers_with(
        fields(
            {
                **_PLACE,
                "by": words(*Compared),
                "from": INSTANT,
                "to": INSTANT,
                "mean": maybe(NUMBER),
                "spread": maybe(NUMBER),
                "dispersion_p": maybe(NUMBER),
                "says": TEXT,
                "rows": many(fields(_FUNNEL_ROW)),
                "notes": many(TEXT),
            }
        )
    ),
    asked=_asked(FUNNEL_FIELDS),
)
_TALLIED = fields(
    {
        "occurrences": COUNT,
        "strokes": COUNT,
        "per_million": maybe(NUMBER),
        "low": maybe(NUMBER),
        "high": maybe(NUMBER),
    }
)
_PAIR = fields(
    {
        "number": COUNT,
        "now": maybe(_TALLIED),
        "before": maybe(_TALLIED),
        "so_far": YES_NO,
        "ratio": maybe(NUMBER),
        "low": maybe(NUMBER),
        "high": maybe(NUMBER),
        "p_value": maybe(NUMBER),
        "adjusted_p": maybe(NUMBER),
        "probability_rose": maybe(NUMBER),
        "change": words(*Change),
    }
)
YEARS_CALL = Call(
    "Months or weeks of a year beside the same of the year before.",
    answers_with(
        fields(
            {
                **_PLACE,
                "year": COUNT,
                "step": words(*Step),
                "machine": maybe(TEXT),
                "periods": many(_PAIR),
                "to_date": _PAIR,
                "until": TEXT,
                "until_before": TEXT,
                "notes": many(TEXT),
            }
        )
    ),
    asked=_asked(YEAR_FIELDS),
)
