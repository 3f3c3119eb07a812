"""What the API's answer about lives looks like."""

from tracelog.service.lives_rules import IntervalFrom, Verdict
from tracelog.service.machine_lives_rules import Trend
from tracelog.web.shapes import (
    COUNT,
    INSTANT,
    NUMBER,
    TEXT,
    YES_NO,
    Shape,
    by_name,
    fields,
    many,
    maybe,
    words,
)


def _ends(name: str, shape: Shape) -> dict[str, Shape]:
    return {key: maybe(shape) for key in (name, f"{name}_low", f"{name}_high")}


_KIND = fields(
    {
        "tool_type": TEXT,
        "position": maybe(TEXT),
        "lives": COUNT,
        "failures": COUNT,
        "removals": COUNT,
        "censored": by_name(COUNT),
        "left_out": by_name(COUNT),
        **_ends("shape", NUMBER),
        **_ends("scale_strokes", COUNT),
        **_ends("b10_strokes", COUNT),
        "verdict": words(*(one.value for one in Verdict)),
        "sentences": many(TEXT),
        "planned_cost": NUMBER,
        "unplanned_cost": NUMBER,
        "costs_are_a_guess": YES_NO,
        "interval_now_strokes": maybe(COUNT),
        "interval_now_from": words(*(one.value for one in IntervalFrom)),
        **_ends("best_interval_strokes", COUNT),
        "advised_interval_strokes": maybe(COUNT),
        **_ends("saving_per_million", NUMBER),
        "strokes_a_year": COUNT,
    }
)
_MACHINES = fields(
    {
        "overhaul": maybe(TEXT),
        "runs": COUNT,
        "machines_not_begun": COUNT,
        "unplanned_in_runs": COUNT,
        "trend": words(*(one.value for one in Trend)),
        **_ends("shape", NUMBER),
        "p_value": maybe(NUMBER),
        "sentence": TEXT,
        "unplanned": COUNT,
        **_ends("strokes_between_unplanned", COUNT),
        "gaps_sentence": TEXT,
    }
)
LIVES = fields(
    {
        "as_of": INSTANT,
        "confidence": NUMBER,
        "tools": many(_KIND),
        "lives_without_tool_type": COUNT,
        "machines": _MACHINES,
    }
)
