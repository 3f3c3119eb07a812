"""A hand-made plant whose every figure is known: two lines, tools that move, coils, pallets.

1-1 and 2-1 make 12,000 strokes an hour, 1-2 makes 24,000; 1-3 and 2-2 were never read. It begins
on 2 February 2026, 06:00 in Madrid, and is read for thirty days. Hours count from there.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tests.support.recorded import recorded
from tracelog.audit import Actor
from tracelog.defects.actions import derive_for_codes, log_entries
from tracelog.defects.facts import DefectTypeFact, EntryFact
from tracelog.defects.vocabulary.actions import record_defect_types
from tracelog.outcomes import Outcome
from tracelog.plant.actions import (
    record_changes,
    record_dome_codes,
    record_lines,
    record_machines,
    record_plant,
)
from tracelog.plant.calendar_actions import record_planned_periods
from tracelog.plant.calendar_facts import PlannedPeriodFact
from tracelog.plant.facts import (
    ChangeFact,
    CoilFact,
    CoilRunFact,
    DomeCodeFact,
    LineFact,
    MachineFact,
    PalletFact,
    PlantFact,
    ToolFact,
    ToolFitFact,
)
from tracelog.plant.stock_actions import record_coil_runs, record_coils, record_pallets
from tracelog.plant.tool_actions import record_tool_fits, record_tool_works, record_tools
from tracelog.plant.tool_facts import ToolWorkFact
from tracelog.service.actions import record_service_levels, record_services
from tracelog.service.facts import ServiceFact, ServiceLevelFact
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact

ZONE = ZoneInfo("Europe/Madrid")
ACTOR = Actor("tests", "administrator", "import")
START = datetime(2026, 2, 2, 5, tzinfo=UTC)
WRITTEN_AT = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
HOURS = 30 * 24
AN_HOUR = {(1, 1): 12_000, (1, 2): 24_000, (2, 1): 12_000}
MACHINES = ((1, 1), (1, 2), (1, 3), (2, 1), (2, 2))
MILLION = 1_000_000


def hour(number: float) -> datetime:
    """So many hours after the plant's history begins."""
    return START + timedelta(hours=number)


def kept(outcomes: Sequence[Outcome]) -> None:
    """Fail unless everything was kept."""
    for outcome in outcomes:
        assert outcome.is_kept, outcome.faults


@recorded
def write_plant(session: Session) -> None:
    """The plant, its lines and machines, and its defects; no history yet."""
    settings = {
        "name": "Alder Point",
        "time_zone": ZONE.key,
        "transit": {"minutes": [20, 95]},
        "shift": [{"name": "day", "starts": "06:00"}, {"name": "night", "starts": "18:00"}],
        "rota": {
            "starts_on": "2026-02-02",
            "cycle": [{"day": "A", "night": "C"}, {"day": "B", "night": "D"}],
        },
    }
    kept(record_plant(session, [PlantFact.read(settings, ZONE)], ACTOR, START))
    kept(record_lines(session, [LineFact(line=line) for line in (1, 2)], ACTOR, START))
    places = [(line, "bodymaker", number) for line, number in MACHINES] + [(1, "washer", 1)]
    machines = [
        MachineFact(line=line, station=station, number=number, counter_max=99_999_999)
        for line, station, number in places
    ]
    kept(record_machines(session, machines, ACTOR, START))
    kinds = [DefectTypeFact(defect=defect) for defect in ("split", "wrinkle")]
    kept(record_defect_types(session, kinds, ACTOR, START))


def write_readings(session: Session, hours: int = HOURS) -> None:
    """A reading of each machine every six hours."""
    facts = [
        ReadingFact(line=line, bodymaker=number, read_at=hour(at), strokes=at * made)
        for (line, number), made in AN_HOUR.items()
        for at in range(0, hours + 1, 6)
    ]
    kept(record_readings(session, facts, ACTOR, max(WRITTEN_AT, hour(hours))))


def write_levels(session: Session) -> None:
    """Three levels of bodymakers, one of them by days only, and one of washers."""
    rows: list[dict[str, Any]] = [
        {"station": "bodymaker", "service": "minor", "interval_strokes": MILLION},
        {"station": "bodymaker", "service": "major", "interval_strokes": 5 * MILLION},
        {"station": "bodymaker", "service": "calibrate", "interval_days": 7},
        {"station": "washer", "service": "clean", "interval_days": 30},
    ]
    levels = [ServiceLevelFact.read(row, ZONE) for row in rows]
    kept(record_service_levels(session, levels, ACTOR, START))


def serve(session: Session, code: str, service: str, at: float, **more: Any) -> None:
    """A service that was done."""
    fact = ServiceFact.read({**_place(code), "service": service, "done_at": hour(at), **more}, ZONE)
    kept(record_services(session, [fact], ACTOR, WRITTEN_AT))


def plan_period(session: Session, kind: str, first: date, days: int, **more: Any) -> None:
    """So many whole days known beforehand, of the whole plant unless said otherwise."""
    last = first + timedelta(days=days - 1)
    row = {"kind": kind, "starts_at": first.isoformat(), "ends_at": last.isoformat(), **more}
    kept(record_planned_periods(session, [PlannedPeriodFact.read(row, ZONE)], ACTOR, START))


def write_tools(session: Session, lives: Mapping[str, int | None]) -> None:
    """Serialised tools with their expected lives."""
    tools = [ToolFact(serial=serial, life_strokes=life) for serial, life in lives.items()]
    kept(record_tools(session, tools, ACTOR, START))


def describe_tool(session: Session, serial: str, tool_type: str) -> None:
    """What a tool is."""
    kept(record_tools(session, [ToolFact(serial=serial, tool_type=tool_type)], ACTOR, START))


def fit(
    session: Session,
    serial: str,
    code: str,
    position: str,
    start: float,
    end: float | None = None,
    reason: str | None = None,
) -> None:
    """A tool in a position of a machine."""
    values = {"serial": serial, "position": position, "fitted_at": hour(start)}
    values |= {"removed_at": None if end is None else hour(end), "removal_reason": reason}
    facts = [ToolFitFact.read({**_place(code), **values}, ZONE)]
    kept(record_tool_fits(session, facts, ACTOR, WRITTEN_AT))


def work(session: Session, serial: str, at: float, kind: str, **more: Any) -> None:
    """Something done to a tool, or what its card says."""
    values = {"serial": serial, "done_at": hour(at), "work": kind, **more}
    kept(record_tool_works(session, [ToolWorkFact.read(values, ZONE)], ACTOR, WRITTEN_AT))


def run_coil(session: Session, coil: str, line: int, start: float, end: float | None) -> None:
    """A coil on a line."""
    kept(record_coils(session, [CoilFact(coil=coil, alloy="3104")], ACTOR, START))
    ended_at = None if end is None else hour(end)
    run = CoilRunFact(coil=coil, line=line, started_at=hour(start), ended_at=ended_at)
    kept(record_coil_runs(session, [run], ACTOR, WRITTEN_AT))


def fill_pallet(session: Session, pallet: str, line: int, start: float, end: float | None) -> None:
    """A pallet at the end of a line."""
    ended_at = None if end is None else hour(end)
    values = {"pallet": pallet, "line": line, "started_at": hour(start), "ended_at": ended_at}
    fact = PalletFact.read({**values, "cans": None if end is None else 8169}, ZONE)
    kept(record_pallets(session, [fact], ACTOR, WRITTEN_AT))


def bear_code(session: Session, code: str, machine: str, start: float, end: float | None) -> None:
    """A machine's cans bear another code."""
    values = {**_place(machine), "code": code, "valid_from": hour(start)}
    fact = DomeCodeFact.read({**values, "valid_to": None if end is None else hour(end)}, ZONE)
    kept(record_dome_codes(session, [fact], ACTOR, WRITTEN_AT))
    derive_for_codes(session, [fact.code], fact.valid_from)


def change(session: Session, line: int, bodymaker: int | None, at: float, kind: str) -> None:
    """Something altered on a machine or a line."""
    fact = ChangeFact(line=line, bodymaker=bodymaker, at=hour(at), kind=kind)
    kept(record_changes(session, [fact], ACTOR, WRITTEN_AT))


def log(session: Session, at: float, code: str | None, **more: Any) -> None:
    """A finding, logged when it was seen unless said otherwise."""
    values = {"seen_at": hour(at), "dome_code": code, "defect": "split", "cans": 1, **more}
    kept(log_entries(session, [EntryFact.read(values, ZONE)], ACTOR, WRITTEN_AT))


def jump(session: Session, line: int, bodymaker: int, at: float, strokes: int) -> None:
    """A reading far from the last one, which nobody has explained."""
    fact = ReadingFact(line=line, bodymaker=bodymaker, read_at=hour(at), strokes=strokes)
    kept(record_readings(session, [fact], ACTOR, WRITTEN_AT))


def _place(code: str) -> dict[str, int]:
    line, number = code.split("-")
    return {"line": int(line), "bodymaker": int(number)}
