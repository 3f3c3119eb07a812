"""A hand-made plant with known counts: three bodymakers, one of them silent, one never run.

1-1 makes a million strokes a day for ten days, 1-2 two million, 1-3 a million and is never heard
of, 2-1 has no readings at all. Days are those of Madrid.
"""

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.defects.actions import log_entries
from tracelog.defects.facts import DefectTypeFact, EntryFact
from tracelog.defects.vocabulary.actions import record_defect_types
from tracelog.instants import start_of_day
from tracelog.plant.actions import record_lines, record_machines, record_plant
from tracelog.plant.facts import LineFact, MachineFact, PlantFact
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact

ZONE = ZoneInfo("Europe/Madrid")
ACTOR = Actor("tests", "administrator", "import")
DAYS = 10
MILLION = 1_000_000
# Over the night of 28 to 29 March the clock is put forward.
FIRST_DAY = datetime(2026, 3, 23, tzinfo=UTC).date()
WRITTEN_AT = datetime(2026, 5, 1, tzinfo=UTC)


def day(index: int) -> datetime:
    """Start of a day of the log, UTC."""
    return start_of_day(FIRST_DAY + timedelta(days=index), ZONE)


def entry(index: int, code: str | None, defect: str, **more: Any) -> EntryFact:
    """An entry at noon of a day of the log."""
    seen_at = day(index) + timedelta(hours=12)
    values = {"seen_at": seen_at, "dome_code": code, "defect": defect, **more}
    return EntryFact.read(values, ZONE)


def write_log(session: Session, entries: list[EntryFact]) -> None:
    """Write the plant, its readings, and the entries given."""
    plant = PlantFact.read({"name": "Alder Point", "time_zone": ZONE.key}, ZONE)
    record_plant(session, [plant], ACTOR, WRITTEN_AT)
    lines = [LineFact.read({"line": line, "name": f"Line {line}"}, ZONE) for line in (1, 2)]
    record_lines(session, lines, ACTOR, WRITTEN_AT)
    places = [(1, 1), (1, 2), (1, 3), (2, 1)]
    machines = [
        MachineFact.read(
            {"line": line, "station": "bodymaker", "number": number, "counter_max": 10**9 - 1}, ZONE
        )
        for line, number in places
    ]
    record_machines(session, machines, ACTOR, WRITTEN_AT)
    kinds = [
        DefectTypeFact.read({"defect": name}, ZONE) for name in ("split", "wrinkle", "scratch")
    ]
    record_defect_types(session, kinds, ACTOR, WRITTEN_AT)
    readings = [
        ReadingFact.read(
            {"line": 1, "bodymaker": n, "read_at": day(index), "strokes": index * per_day}, ZONE
        )
        for n, per_day in ((1, MILLION), (2, 2 * MILLION), (3, MILLION))
        for index in range(DAYS + 1)
    ]
    for outcome in record_readings(session, readings, ACTOR, WRITTEN_AT):
        assert outcome.is_kept, outcome
    for outcome in log_entries(session, entries, ACTOR, WRITTEN_AT):
        assert outcome.is_kept, outcome
    session.flush()
