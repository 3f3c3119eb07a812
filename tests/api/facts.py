"""For each call that takes facts: its model, and facts that are right, as many as wanted."""

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from tests.api.plant import at
from tracelog.defects.facts import EntryFact
from tracelog.facts import Fact
from tracelog.plant.calendar_facts import PlannedPeriodFact
from tracelog.plant.facts import (
    ChangeFact,
    CoilFact,
    CoilRunFact,
    PalletFact,
    ToolFact,
    ToolFitFact,
)
from tracelog.plant.tool_facts import ToolWorkFact
from tracelog.service.facts import ReplacementCostFact, ServiceFact
from tracelog.strokes.facts import CounterEventFact, ReadingFact
from tracelog.trends.facts import MeasurementFact
from tracelog.trends.measured.facts import GaugeReadingFact


@dataclass(frozen=True)
class Taken:
    """One call.

    Attributes:
        path: under `/api/v1`.
        fact: its model.
        permission: who may.
        good: the n-th fact that is right; no two of them say the same.
        other: a field and a value that contradict the n-th one, None where settings are replaced.
        table: where its rows are.
    """

    path: str
    fact: type[Fact]
    permission: str
    good: Callable[[int], dict[str, Any]]
    other: tuple[str, Any] | None
    table: str


def _entry(n: int) -> dict[str, Any]:
    return {
        "id": str(uuid.UUID(int=0x0198C1F07A4E7CC18000000000000000 + n)),
        "seen_at": at(n),
        "dome_code": f"1-{n % 3 + 1}",
        "defect": "split",
        "cans": 2,
        "note": "seen at the trimmer",
    }


def _machine(n: int) -> dict[str, Any]:
    return {"line": n % 2 + 1, "bodymaker": n // 2 % 3 + 1}


TAKEN = (
    Taken("/defects", EntryFact, "log entry", _entry, ("cans", 3), "entries"),
    Taken(
        "/readings",
        ReadingFact,
        "send readings",
        lambda n: {**_machine(n), "read_at": at(n), "strokes": 1000 + 200 * n},
        ("strokes", 7),
        "readings",
    ),
    Taken(
        "/counter-events",
        CounterEventFact,
        "settle counter",
        lambda n: {**_machine(n), "at": at(n), "event": "reset", "strokes_after": 0},
        ("strokes_after", 7),
        "counter_events",
    ),
    Taken(
        "/changes",
        ChangeFact,
        "record change",
        lambda n: {**_machine(n), "at": at(n), "kind": "coolant", "note": "new batch"},
        ("note", "other"),
        "changes",
    ),
    Taken(
        "/services",
        ServiceFact,
        "record service",
        lambda n: {**_machine(n), "service": "minor", "done_at": at(n), "note": "on time"},
        ("note", "other"),
        "services",
    ),
    Taken(
        "/tools",
        ToolFact,
        "record tool change",
        lambda n: {"serial": f"new {n}", "tool_type": "punch", "note": "polished"},
        None,
        "tools",
    ),
    Taken(
        "/replacement-costs",
        ReplacementCostFact,
        "plan services",
        lambda n: {"tool_type": f"type {n}", "planned_cost": 120.5, "unplanned_cost": 600},
        None,
        "replacement_costs",
    ),
    Taken(
        "/tool-fits",
        ToolFitFact,
        "record tool change",
        lambda n: {
            **_machine(n),
            "serial": f"T-{n}",
            "position": f"position {n}",
            "fitted_at": at(n),
        },
        ("position", "ring-1"),
        "tool_fits",
    ),
    Taken(
        "/tool-works",
        ToolWorkFact,
        "record tool change",
        lambda n: {"serial": "T-1", "done_at": at(n), "work": "regrind", "size_mm": 66.18},
        ("size_mm", 66.2),
        "tool_works",
    ),
    Taken(
        "/coils",
        CoilFact,
        "record coil run",
        lambda n: {"coil": f"new {n}", "alloy": "3104", "gauge_mm": 0.25},
        None,
        "coils",
    ),
    Taken(
        "/coil-runs",
        CoilRunFact,
        "record coil run",
        lambda n: {
            "coil": "K-1",
            "line": n % 2 + 1,
            "started_at": at(n),
            "ended_at": at(n + 1),
        },
        ("ended_at", at(100_000)),
        "coil_runs",
    ),
    Taken(
        "/pallets",
        PalletFact,
        "record pallet",
        lambda n: {"pallet": f"P-{n}", "line": 1, "started_at": at(n), "cans": 8000},
        ("cans", 7),
        "pallets",
    ),
    Taken(
        "/planned-periods",
        PlannedPeriodFact,
        "plan services",
        lambda n: {
            **_machine(n),
            "id": str(uuid.UUID(int=0x0198C1F07A4E7CC1A000000000000000 + n)),
            "kind": "no service",
            "starts_at": at(n),
            "ends_at": at(n + 60),
            "reason": "big order",
        },
        None,
        "planned_periods",
    ),
    Taken(
        "/measurements",
        MeasurementFact,
        "record measurement",
        lambda n: {
            **_machine(n),
            "id": str(uuid.UUID(int=0x0198C1F07A4E7CC19000000000000000 + n)),
            "measured_at": at(n),
            "characteristic": "wall",
            "unit": "mm",
            "value": 0.1,
        },
        ("value", 0.2),
        "measurements",
    ),
    Taken(
        "/gauge-readings",
        GaugeReadingFact,
        "record measurement",
        lambda n: {
            "id": str(uuid.UUID(int=0x0198C1F07A4E7CC1B000000000000000 + n)),
            "study": "wall gauge 1",
            "characteristic": "wall",
            "unit": "mm",
            "part": str(n),
            "appraiser": "Kim",
            "trial": 1,
            "value": 0.1,
            "measured_at": at(n),
        },
        ("value", 0.2),
        "gauge_readings",
    ),
)

# For every field of every fact something that is not right, whichever fact it is in.
WRONG: dict[str, Any] = {
    "alloy": "x" * 81,
    "at": "2026-03-29T02:30",
    "bodymaker": 77,
    "cans": 2.5,
    "characteristic": "x" * 81,
    "coil": "a\u0007b",
    "defect": "no such defect",
    "dome_code": "three seven",
    "done_at": "yesterday",
    "ended_at": "2026-02-30T10:00:00Z",
    "event": "kicked",
    "fitted_at": "2026-10-25T02:30",
    "found_at": ["trimmer"],
    "gauge_mm": "thin",
    "id": "17",
    "inspected": 0,
    "interval_strokes": 0,
    "kind": {"a": 1},
    "life_strokes": -5,
    "size_mm": 0,
    "strokes_before": "all",
    "strokes_before_since_work": -1,
    "work": "grind",
    "line": 0,
    "logged_at": "2026-03-02",
    "logged_by": "x" * 81,
    "made_at": 1_772_431_200,
    "mark": True,
    "measured_at": "0001-01-01T00:00:00Z",
    "note": "x" * 4001,
    "occurrences": "1,000",
    "pallet": "x" * 81,
    "planned_cost": 0,
    "position": "x" * 81,
    "read_at": "2026-03-29T02:30",
    "removal_reason": "bored",
    "removed_at": "2026-03-02 25:00",
    "starts_at": "2026-13-01",
    "ends_at": "2020-01-01",
    "reason": "x" * 4001,
    "appraiser": "x" * 81,
    "part": "x" * 81,
    "study": "x" * 81,
    "trial": 0,
    "announced_at": "2026-03-29T02:30",
    "withdrawn_at": "today",
    "uid": "u" * 221,
    "seen_at": "2026-03-29T02:30",
    "serial": "no\u0000thing",
    "service": "never heard of",
    "started_at": "12:00",
    "status": "lost",
    "strokes": -1,
    "strokes_after": "12 000",
    "subgroup": "x" * 81,
    "tool_type": "x" * 81,
    "unit": "x" * 81,
    "unplanned_cost": "five times",
    "unplanned": "perhaps",
    "value": "0,1",
}
