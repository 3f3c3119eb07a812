"""The documented answers about frozen baselines, the same for page and API."""

from typing import Any

from tracelog.plant.queries import Directory
from tracelog.trends.series.queries import FrozenBaselineView


def frozen_answer(frozen: FrozenBaselineView) -> dict[str, Any]:
    """A frozen baseline as JSON-ready values: period, person and reason."""
    return {
        "id": str(frozen.id),
        "starts_at": frozen.start,
        "ends_at": frozen.end,
        "reason": frozen.reason,
        "frozen_at": frozen.frozen_at,
        "frozen_by": frozen.frozen_by,
    }


def baseline_answer(frozen: FrozenBaselineView, places: Directory) -> dict[str, Any]:
    """A frozen baseline with the series that it is of, in the words of baselines.csv."""
    machine = None if frozen.machine_id is None else places.by_id[frozen.machine_id]
    return {
        "line": frozen.line if machine is None else machine.line,
        "bodymaker": None if machine is None else machine.number,
        "evidence": frozen.series.evidence.value,
        "of": frozen.series.of,
        **frozen_answer(frozen),
    }
