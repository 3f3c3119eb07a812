"""Made-up histories of the log: what happened, in the order of the plant's clock."""

import uuid
from dataclasses import dataclass
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from tests.defects.small_plant import (
    ACTOR,
    WRITTEN_AT,
    code_fact,
    correction_row,
    entry_fact,
    log,
    write_code,
    write_machines,
)
from tracelog.defects.actions import derive_for_codes, record_corrections
from tracelog.plant.dome_code import DomeCode

# Each example is undone by itself, and writes a history: a fifth of them will do.
FEW = settings(
    max_examples=settings().max_examples // 5,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
LAST_HOUR = 12
CODES = [None, "1-1", "1-2", "1-3", "1-1?", "1-?", "?-?", "?-1", "2-1", "2-2"]
# Each with the machine that bears it; no machine bears two of them, no code is borne twice.
BORNE = {"1-3": (1, 2), "1-1": (2, 1), "2-2": (1, 12)}
MADE_LATER = (2, 3)


@dataclass(frozen=True)
class Logged:
    """An entry, logged so many hours after the morning."""

    number: int
    seen: int
    logged: int
    more: dict[str, Any]

    def write(self, session: Session) -> None:
        """Log it; the same again changes nothing."""
        fact = entry_fact(
            self.seen, id=uuid.UUID(int=self.number + 1), logged_at=_at(self.logged), **self.more
        )
        (outcome,) = log(session, fact)
        assert outcome.is_kept, outcome.faults


@dataclass(frozen=True)
class Corrected:
    """A correction of the entry of that number; `changes` None: withdrawn."""

    number: int
    at: int
    place: int
    changes: dict[str, Any] | None

    def write(self, session: Session) -> None:
        """Take it over; refused while the entry is not there."""
        fact = correction_row(
            uuid.UUID(int=self.number + 1),
            self.at,
            id=uuid.UUID(int=1000 + self.place),
            withdrawn=self.changes is None,
            changes=self.changes or {},
        )
        (outcome,) = record_corrections(session, [fact], ACTOR, WRITTEN_AT)
        assert outcome.is_kept, outcome.faults


@dataclass(frozen=True)
class Borne:
    """A code that another machine's cans bear for a while."""

    code: str
    start: int
    end: int | None

    def write(self, session: Session) -> None:
        """Record it, or complete it with its end."""
        write_code(session, code_fact(self.code, BORNE[self.code], self.start, self.end))


@dataclass(frozen=True)
class Built:
    """A machine that is entered late."""

    def write(self, session: Session) -> None:
        """Enter it, and settle what bears its number."""
        write_machines(session, [MADE_LATER])
        derive_for_codes(session, [DomeCode(*(str(part) for part in MADE_LATER))])


Event = Logged | Corrected | Borne | Built


def _at(number: int) -> Any:
    return entry_fact(number).seen_at


def write_history(session: Session, events: list[Event]) -> None:
    """Write events in the order given; a correction waits until its entry is there."""
    there: set[int] = set()
    waiting: list[Corrected] = []
    for event in events:
        if isinstance(event, Corrected) and event.number not in there:
            waiting.append(event)
            continue
        event.write(session)
        if isinstance(event, Logged):
            there.add(event.number)
            for late in [one for one in waiting if one.number == event.number]:
                late.write(session)
                waiting.remove(late)
    assert not waiting


HOURS = st.integers(0, LAST_HOUR)
COUNTS: list[dict[str, Any]] = [
    {"cans": 1},
    {"cans": 60, "occurrences": 1},
    {"cans": 3, "inspected": 200},
    {"cans": 0, "inspected": 50},
]
CHANGES: list[dict[str, Any] | None] = [
    None,
    {},
    {"dome_code": "1-3"},
    {"dome_code": ""},
    {"defect": "wrinkle", "note": "seen again"},
    {"cans": 7, "occurrences": 2, "inspected": ""},
    {"cans": 7, "occurrences": "", "inspected": 90},
]


@st.composite
def histories(draw: st.DrawFn) -> list[Event]:
    """Entries, corrections of them, dome codes with and without an end, a late machine."""
    events: list[Event] = []
    for number in range(draw(st.integers(1, 4))):
        seen = draw(HOURS)
        more = {"dome_code": draw(st.sampled_from(CODES)), **draw(st.sampled_from(COUNTS))}
        if draw(st.booleans()):
            more["made_at"] = _at(draw(st.integers(0, seen)))
        events.append(Logged(number, seen, draw(HOURS), more))
    numbers = st.sampled_from([event.number for event in events if isinstance(event, Logged)])
    for place in range(draw(st.integers(0, 5))):
        changes = draw(st.sampled_from(CHANGES))
        events.append(Corrected(draw(numbers), draw(HOURS), place, changes))
    for code in draw(st.sets(st.sampled_from(sorted(BORNE)))):
        start = draw(HOURS)
        events.append(Borne(code, start, None))
        if draw(st.booleans()):
            events.append(Borne(code, start, draw(st.integers(start, LAST_HOUR + 2))))
    if draw(st.booleans()):
        events.append(Built())
    return events
