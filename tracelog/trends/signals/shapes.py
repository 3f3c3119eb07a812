"""What the API's calls for signals answer."""

from tracelog.trends.signals.rules import Decision, Kind
from tracelog.web.shapes import (
    COUNT,
    ID,
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

SIGNAL: Shape = fields(
    {
        "machine": TEXT,
        "defect": maybe(TEXT),
        "kind": words(*Kind),
        "raised_at": INSTANT,
        "since": INSTANT,
        "since_low": INSTANT,
        "since_high": INSTANT,
        "ended_at": maybe(INSTANT),
        "rule": TEXT,
        "rate": maybe(NUMBER),
        "baseline": NUMBER,
        "occurrences": COUNT,
        "strokes": COUNT,
        "evidence": NUMBER,
        "threshold": NUMBER,
        "open": YES_NO,
        "decision": maybe(
            fields(
                {
                    "decision": words(*Decision),
                    "reason": maybe(TEXT),
                    "decided_at": INSTANT,
                    "decided_by": TEXT,
                    "case": maybe(ID),
                }
            )
        ),
    }
)
SIGNALS: Shape = fields(
    {
        "as_of": INSTANT,
        "judged_by": maybe(
            fields(
                {
                    "since": INSTANT,
                    "false_signals_a_week": NUMBER,
                    "series": COUNT,
                    "thresholds": fields({kind.value: NUMBER for kind in sorted(Kind)}),
                }
            )
        ),
        "signals": many(SIGNAL),
    }
)
