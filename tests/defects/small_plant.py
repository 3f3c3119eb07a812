"""A hand-made plant for the log: lines 1 and 2, bodymakers 1-1, 1-2, 1-12 and 2-1, a few defects.

Hours are those of Madrid in the winter of 2026, so that a day starts at 23:00 UTC.
"""

import uuid
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from tests.support.recorded import recorded
from tracelog.audit import Actor
from tracelog.defects.actions import (
    derive_for_codes,
    log_entries,
    record_corrections,
    record_defect_types,
)
from tracelog.defects.facts import CorrectionRowFact, DefectTypeFact, EntryFact
from tracelog.defects.models import CurrentEntry
from tracelog.outcomes import Outcome
from tracelog.plant.actions import record_dome_codes, record_lines, record_machines, record_plant
from tracelog.plant.facts import DomeCodeFact, LineFact, MachineFact, PlantFact
from tracelog.plant.queries import directory

ZONE = ZoneInfo("Europe/Madrid")
ACTOR = Actor("Ana", "quality", "page")
WRITTEN_AT = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
MORNING = datetime(2026, 2, 2, 5, tzinfo=UTC)
MACHINES = ((1, 1), (1, 2), (1, 12), (2, 1))
DEFECTS = {"split": "split body", "wrinkle": "wrinkled dome rim", "short-can": None}


def hour(number: float) -> datetime:
    """So many hours after the morning of 2 February, 06:00 on the plant's clock."""
    return MORNING + timedelta(hours=number)


@recorded
def write_plant(session: Session, shifts: bool = True) -> None:
    """The plant, its lines and machines, and its defects."""
    settings: dict[str, Any] = {"name": "Alder Point", "time_zone": ZONE.key}
    if shifts:
        settings["shift"] = [
            {"name": "day", "starts": "06:00"},
            {"name": "night", "starts": "18:00"},
        ]
    record_plant(session, [PlantFact.read(settings, ZONE)], ACTOR, WRITTEN_AT)
    lines = [LineFact(line=line) for line in (1, 2)]
    record_lines(session, lines, ACTOR, WRITTEN_AT)
    write_machines(session, MACHINES)
    kinds = [DefectTypeFact(defect=defect, name=name) for defect, name in DEFECTS.items()]
    record_defect_types(session, kinds, ACTOR, WRITTEN_AT)


def write_machines(session: Session, machines: Iterable[tuple[int, int]]) -> None:
    """Bodymakers by line and number."""
    facts = [
        MachineFact(line=line, station="bodymaker", number=number) for line, number in machines
    ]
    record_machines(session, facts, ACTOR, WRITTEN_AT)


def entry_fact(number: float = 0, code: str | None = "1-1", **more: Any) -> EntryFact:
    """A split seen so many hours after the morning, unless said otherwise."""
    values = {"seen_at": hour(number), "dome_code": code, "defect": "split", **more}
    return EntryFact.read(values, ZONE)


def log(session: Session, *facts: EntryFact) -> list[Outcome]:
    """Log entries that may be refused."""
    return log_entries(session, facts, ACTOR, WRITTEN_AT)


def logged(session: Session, number: float = 0, code: str | None = "1-1", **more: Any) -> uuid.UUID:
    """Log one entry that is accepted; its id."""
    fact = entry_fact(number, code, **more)
    (outcome,) = log(session, fact)
    assert outcome.is_kept, outcome.faults
    return fact.id


def correction_row(entry_id: uuid.UUID, number: float, **more: Any) -> CorrectionRowFact:
    """A correction made so many hours after the morning."""
    values = {
        "entry": entry_id,
        "corrected_at": hour(number),
        "corrected_by": "Ben",
        "reason": "misread",
        **more,
    }
    return CorrectionRowFact.read(values, ZONE)


def corrected(session: Session, entry_id: uuid.UUID, number: float, **more: Any) -> None:
    """Take over one correction that is accepted."""
    (outcome,) = record_corrections(
        session, [correction_row(entry_id, number, **more)], ACTOR, WRITTEN_AT
    )
    assert outcome.is_kept, outcome.faults


def code_fact(
    code: str, machine: tuple[int, int], start: float, end: float | None = None
) -> DomeCodeFact:
    """That a machine's cans bear a code, from and to hours after the morning."""
    values = {
        "code": code,
        "line": machine[0],
        "bodymaker": machine[1],
        "valid_from": hour(start),
        "valid_to": None if end is None else hour(end),
    }
    return DomeCodeFact.read(values, ZONE)


def write_code(session: Session, fact: DomeCodeFact) -> None:
    """Record a dome code, and settle the entries that it concerns."""
    (outcome,) = record_dome_codes(session, [fact], ACTOR, WRITTEN_AT)
    assert outcome.is_kept, outcome.faults
    derive_for_codes(session, [fact.code], fact.valid_from)


def machine_id(session: Session, text: str) -> uuid.UUID:
    """Id of a machine by its text."""
    return directory(session).machine_named(text).id


def current(session: Session) -> dict[uuid.UUID, tuple[Any, ...]]:
    """All rows of `current_entries` by the entry's id."""
    columns = [getattr(CurrentEntry, column.key) for column in CurrentEntry.__table__.columns]
    rows = session.execute(select(CurrentEntry.entry_id, *columns))
    return {row[0]: tuple(row[1:]) for row in rows}


def standing_machine(session: Session, entry_id: uuid.UUID) -> str | None:
    """Text of the machine that an entry counts for, None while it is not settled."""
    found = session.execute(
        select(CurrentEntry.machine_id).where(CurrentEntry.entry_id == entry_id)
    ).scalar_one()
    return directory(session).by_id[found].text if found else None


def standing_line(session: Session, entry_id: uuid.UUID) -> int | None:
    """Number of the line that an entry counts for."""
    found = session.execute(
        select(CurrentEntry.line_id).where(CurrentEntry.entry_id == entry_id)
    ).scalar_one()
    return directory(session).line_numbers[found] if found else None


@contextmanager
def undone(session: Session) -> Iterator[None]:
    """What happens inside is rolled back at its end."""
    savepoint = session.begin_nested()
    try:
        yield
    finally:
        savepoint.rollback()
        session.expire_all()
