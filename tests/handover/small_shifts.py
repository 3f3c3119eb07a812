"""A hand-made plant whose shifts are told from the outside: every bodymaker makes 1,000 an hour.

Two lines, bodymakers 1-1, 1-2 and 2-1, days from 06:00 and nights from 18:00 in Madrid. The night
of 28 March 2026 has 11 hours, that of 24 October 13.
"""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tests.support.recorded import recorded
from tracelog.audit import Actor
from tracelog.defects.actions import log_entries, record_defect_types
from tracelog.defects.facts import DefectTypeFact, EntryFact
from tracelog.plant.actions import record_lines, record_machines, record_plant
from tracelog.plant.facts import LineFact, MachineFact, PlantFact
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact

ZONE = ZoneInfo("Europe/Madrid")
BY = Actor("Olga", "operator", "page")
MACHINES = ((1, 1), (1, 2), (2, 1))
AN_HOUR = 1_000
HOUR = timedelta(hours=1)
BEGAN_AT = datetime(2026, 2, 1, tzinfo=UTC)
ENDED_AT = datetime(2026, 11, 15, tzinfo=UTC)
# Within the nights in which the clock is changed.
IN_SPRING = datetime(2026, 3, 28, 23, tzinfo=UTC)
IN_AUTUMN = datetime(2026, 10, 24, 23, tzinfo=UTC)
# The day shift of 4 March: 05:00 to 17:00 UTC.
DAY_STARTS_AT = datetime(2026, 3, 4, 5, tzinfo=UTC)
DAY_ENDS_AT = datetime(2026, 3, 4, 17, tzinfo=UTC)


@recorded
def write_plant(session: Session, shifts: bool = True) -> None:
    """The plant and its readings: each hour around the shifts that tests look at, else few."""
    settings: dict[str, Any] = {"name": "Alder Point", "time_zone": ZONE.key}
    if shifts:
        settings["shift"] = [
            {"name": "day", "starts": "06:00"},
            {"name": "night", "starts": "18:00"},
        ]
        settings["rota"] = {"starts_on": "2026-01-05", "cycle": [{"day": "A", "night": "B"}]}
    record_plant(session, [PlantFact.read(settings, ZONE)], BY, BEGAN_AT)
    lines = [LineFact.read({"line": line, "name": f"Line {line}"}, ZONE) for line in (1, 2)]
    record_lines(session, lines, BY, BEGAN_AT)
    machines = [
        {"line": line, "station": "bodymaker", "number": number, "counter_max": 10**9 - 1}
        for line, number in MACHINES
    ]
    record_machines(session, [MachineFact.read(one, ZONE) for one in machines], BY, BEGAN_AT)
    kinds = [DefectTypeFact(defect=defect) for defect in ("split", "wrinkle")]
    record_defect_types(session, kinds, BY, BEGAN_AT)
    moments = {BEGAN_AT, ENDED_AT}
    for looked_at in (DAY_STARTS_AT, IN_SPRING, IN_AUTUMN):
        moments |= {looked_at + n * HOUR for n in range(-48, 48)}
    readings = [
        ReadingFact(
            line=line,
            bodymaker=number,
            read_at=moment,
            strokes=(moment - BEGAN_AT) // HOUR * AN_HOUR,
        )
        for line, number in MACHINES
        for moment in sorted(moments)
    ]
    assert all(one.is_kept for one in record_readings(session, readings, BY, ENDED_AT))


def log(session: Session, code: str, moments: Iterable[datetime], **more: Any) -> None:
    """Log a split of a machine at each of the moments."""
    facts = [
        EntryFact.read(
            {"seen_at": moment.isoformat(), "dome_code": code, "defect": "split", **more}, ZONE
        )
        for moment in sorted(moments)
    ]
    assert all(one.is_kept for one in log_entries(session, facts, BY, BEGAN_AT))


def each_day(last: datetime, days: int) -> list[datetime]:
    """The same time on each of so many days, the last one the day before `last`."""
    return [last - n * 24 * HOUR for n in range(1, days + 1)]
