"""What the API's call for explanations answers."""

from tracelog.cases.explain.evidence import CauseKind
from tracelog.web.shapes import (
    COUNT,
    INSTANT,
    NUMBER,
    TEXT,
    YES_NO,
    Shape,
    fields,
    many,
    maybe,
    words,
)

_ONE: dict[str, Shape] = {
    "kind": words(*CauseKind),
    "name": TEXT,
    "position": maybe(TEXT),
    "since": maybe(INSTANT),
    "since_low": maybe(INSTANT),
    "since_high": maybe(INSTANT),
    "rate_ratio": NUMBER,
    "rate_ratio_low": NUMBER,
    "rate_ratio_high": NUMBER,
    "probability": NUMBER,
    "cans": COUNT,
    "strokes": COUNT,
    "occurrences": COUNT,
    "cans_outside": COUNT,
    "strokes_outside": COUNT,
    "reason": TEXT,
}
EXPLAINED: Shape = fields(
    {
        "defect": TEXT,
        "from": INSTANT,
        "to": INSTANT,
        "cans": COUNT,
        "strokes": COUNT,
        "occurrences": COUNT,
        "cans_without_machine": COUNT,
        "causes_weighed": COUNT,
        "learned_from_before": YES_NO,
        "no_special_cause": NUMBER,
        "explanations": many(fields({"rank": COUNT, **_ONE})),
        "beside_the_first": maybe(fields(_ONE)),
        "would_tell_apart": many(
            fields(
                {
                    "what": TEXT,
                    "days": NUMBER,
                    "bits": NUMBER,
                    "expected_if_first": NUMBER,
                    "expected_if_second": NUMBER,
                }
            )
        ),
        "caution": TEXT,
    }
)
