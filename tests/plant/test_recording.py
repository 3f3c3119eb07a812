"""Recording the plant, its tools and stock: what becomes of each fact."""

import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select, text
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tracelog.audit import Actor, AuditRecord, broken_links
from tracelog.facts import Fact
from tracelog.outcomes import Became, Outcome
from tracelog.plant.actions import (
    record_changes,
    record_dome_codes,
    record_lines,
    record_machines,
    record_plant,
)
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
from tracelog.plant.models import Pallet, Shift, ToolFit
from tracelog.plant.queries import the_plant
from tracelog.plant.stock_actions import record_coil_runs, record_coils, record_pallets
from tracelog.plant.tool_actions import record_tool_fits, record_tools

ACTOR = Actor("Robin", "planner", "page")
ZONE = ZoneInfo("Europe/Madrid")
CREATED, UNCHANGED, COMPLETED, CHANGED, REFUSED = (
    *(Became.CREATED, Became.UNCHANGED, Became.COMPLETED, Became.CHANGED, Became.REFUSED),
)


def facts(kind: type[Fact], *rows: str) -> list[Any]:
    """Facts from rows as a file has them, columns in order."""
    return [
        kind.read(dict(zip(kind.columns(), row.split(","), strict=False)), ZONE) for row in rows
    ]


def became(outcomes: Sequence[Outcome]) -> list[Became]:
    return [outcome.became for outcome in outcomes]


def told(outcome: Outcome) -> str:
    (fault,) = outcome.faults
    return str(fault)


def plant(**values: Any) -> list[PlantFact]:
    return [PlantFact.read({"name": "Alder Point", "time_zone": "Europe/Madrid"} | values, ZONE)]


@pytest.fixture
def stood(session: Session, now: datetime) -> Session:
    """A session on a plant with two lines, four bodymakers, three tools and a coil."""
    record_plant(session, plant(), ACTOR, now)
    record_lines(session, facts(LineFact, "1", "2"), ACTOR, now)
    machines = facts(
        MachineFact, "1,bodymaker,1", "1,bodymaker,2", "2,bodymaker,1", "2,bodymaker,2"
    )
    record_machines(session, machines, ACTOR, now)
    record_tools(session, facts(ToolFact, "P-1,punch", "P-2,punch", "R-1"), ACTOR, now)
    record_coils(session, facts(CoilFact, "K1"), ACTOR, now)
    return session


TWO_SHIFTS = {
    "shift": [{"name": "day", "starts": "06:00"}, {"name": "night", "starts": "18:00"}],
    "rota": {"starts_on": "2026-01-05", "cycle": [{"night": "C", "day": "A"}]},
}


def test_a_plant_is_created_once_and_its_settings_follow(session: Session, now: datetime) -> None:
    def recorded(**values: Any) -> Became:
        return record_plant(session, plant(**values), ACTOR, now)[0].became

    assert recorded() is CREATED
    assert recorded() is UNCHANGED
    assert recorded(transit={"minutes": [20, 95]}) is COMPLETED
    assert recorded() is UNCHANGED
    assert recorded(**TWO_SHIFTS) is COMPLETED
    assert recorded(time_zone="Asia/Kathmandu") is CHANGED
    view = the_plant(session)
    assert view.transit_minutes == (20, 95)
    assert view.zone.key == "Asia/Kathmandu"
    shift = view.shift_at(now)
    assert shift is not None
    assert (shift.shift, shift.crew) == ("day", "A")


def test_words_of_the_rota_belong_to_shifts_in_order_where_names_do_not_say(
    session: Session, now: datetime
) -> None:
    alike = TWO_SHIFTS | {
        "shift": [{"name": "Alder", "starts": "18:00"}, {"name": "Alder", "starts": "06:00"}]
    }
    record_plant(session, plant(**alike), ACTOR, now)
    shifts = session.execute(select(Shift.rota_name, Shift.starts).order_by(Shift.ordinal)).all()
    assert [(word, starts.hour) for word, starts in shifts] == [("night", 18), ("day", 6)]
    shift = the_plant(session).shift_at(now)
    assert shift is not None
    assert (shift.shift, shift.crew) == ("day", "A")


def test_other_shifts_need_their_rota(session: Session, now: datetime) -> None:
    record_plant(session, plant(**TWO_SHIFTS), ACTOR, now)
    later = [{"name": "day", "starts": "07:00"}, {"name": "night", "starts": "19:00"}]
    assert became(record_plant(session, plant(shift=later), ACTOR, now)) == [CHANGED]
    shift = the_plant(session).shift_at(now)
    assert shift is not None
    assert shift.crew == "A"
    other = [{"name": "early", "starts": "06:00"}]
    refusal = record_plant(session, plant(shift=other), ACTOR, now)[0]
    assert told(refusal).startswith("shift: are not those that the rota kept so far names")


@pytest.mark.parametrize(
    ("record", "kind", "row"),
    [
        (record_machines, MachineFact, "9,bodymaker,1"),
        (record_dome_codes, DomeCodeFact, "1-19,9,1,2026-03-01T06:00"),
        (record_tool_fits, ToolFitFact, "P-1,9,1,punch,2026-03-01T06:00"),
        (record_coil_runs, CoilRunFact, "K1,9,2026-03-01T06:00"),
        (record_pallets, PalletFact, "N1,9,2026-03-01T06:00"),
        (record_changes, ChangeFact, "9,,2026-03-01T06:00,label"),
    ],
)
def test_a_line_that_is_not_there_is_named_with_those_that_are(
    stood: Session, now: datetime, record: Any, kind: type[Fact], row: str
) -> None:
    (outcome,) = record(stood, facts(kind, row), ACTOR, now)
    assert told(outcome) == "line: there is no line 9; lines are 1, 2"


def test_one_refused_fact_does_not_hinder_the_others(stood: Session, now: datetime) -> None:
    rows = facts(
        PalletFact, "N1,1,2026-03-01T06:00", "N2,9,2026-03-01T06:00", "N3,2,2026-03-01T06:00"
    )
    assert became(record_pallets(stood, rows, ACTOR, now)) == [CREATED, REFUSED, CREATED]
    assert stood.execute(select(Pallet.pallet).order_by(Pallet.pallet)).scalars().all() == [
        "N1",
        "N3",
    ]


def test_a_fact_is_filled_in_but_never_changed(stood: Session, now: datetime) -> None:
    def recorded(*rows: str) -> list[Outcome]:
        return record_pallets(stood, facts(PalletFact, *rows), ACTOR, now)

    assert became(recorded("N1,1,2026-03-01T06:00")) == [CREATED]
    filled = "N1,1,2026-03-01T06:00,2026-03-01T06:10,8000,held"
    assert became(recorded(filled)) == [COMPLETED]
    assert became(recorded("N1,1,2026-03-01T06:00", filled)) == [UNCHANGED, UNCHANGED]
    refusal = recorded("N1,2,2026-03-01T06:00,,8001")[0]
    assert [fault.field for fault in refusal.faults] == ["line", "cans"]
    assert str(refusal.faults[1]).startswith("cans: '8001' contradicts '8000', which was accepted")
    assert stood.execute(select(Pallet.cans)).scalars().all() == [8000]


def test_facts_of_one_batch_are_filled_in_by_each_other(stood: Session, now: datetime) -> None:
    rows = facts(
        PalletFact,
        "N1,1,2026-03-01T06:00",
        "N1,1,2026-03-01T06:00,,8000",
        "N1,1,2026-03-01T06:00,2026-03-01T06:10",
        "N1,1,2026-03-01T06:00,,8001",
    )
    outcomes = record_pallets(stood, rows, ACTOR, now)
    assert became(outcomes) == [CREATED, COMPLETED, COMPLETED, REFUSED]
    row = stood.execute(select(Pallet)).scalar_one()
    assert (row.cans, row.ended_at) == (8000, datetime.fromisoformat("2026-03-01T05:10:00Z"))


def test_a_setting_is_replaced_but_not_twice_in_one_batch(stood: Session, now: datetime) -> None:
    def recorded(*rows: str) -> list[Outcome]:
        return record_tools(stood, facts(ToolFact, *rows), ACTOR, now)

    assert became(recorded("P-1,die", "P-1,,5", "R-1,ring")) == [CHANGED, COMPLETED, COMPLETED]
    assert became(recorded("P-1", "P-1,die,5")) == [UNCHANGED, UNCHANGED]
    outcomes = recorded("P-1,,6", "P-1,ring", "P-1,,7")
    assert became(outcomes) == [CHANGED, CHANGED, REFUSED]
    assert told(outcomes[2]) == (
        "life_strokes: '7' contradicts '6' in another row with the same key; keep one of them"
    )


def test_a_tool_in_two_places_is_refused(stood: Session, now: datetime) -> None:
    rows = facts(
        ToolFitFact,
        "P-1,1,1,punch,2026-03-01T06:00Z,2026-03-03T06:00Z",
        "P-1,1,2,punch,2026-03-02T06:00Z",
        "P-1,1,2,punch,2026-03-03T06:00Z",
        "P-1,2,1,punch,2026-03-05T06:00Z",
    )
    outcomes = record_tool_fits(stood, rows, ACTOR, now)
    assert became(outcomes) == [CREATED, REFUSED, CREATED, CREATED]
    assert told(outcomes[1]) == (
        "fitted_at: tool P-1 is in 1-1 punch from 2026-03-01T06:00:00Z to 2026-03-03T06:00:00Z"
        " already; a tool is in one place at a time"
    )
    # The end of the open fit comes too late to be true.
    late = facts(ToolFitFact, "P-1,1,2,punch,2026-03-03T06:00Z,2026-03-06T06:00Z,worn")
    assert told(record_tool_fits(stood, late, ACTOR, now)[0]).startswith(
        "removed_at: tool P-1 is in 2-1 punch from 2026-03-05T06:00:00Z already"
    )
    right = facts(ToolFitFact, "P-1,1,2,punch,2026-03-03T06:00Z,2026-03-05T06:00Z,worn")
    assert became(record_tool_fits(stood, right, ACTOR, now)) == [COMPLETED]


def test_two_tools_in_one_position_are_refused(stood: Session, now: datetime) -> None:
    first = facts(ToolFitFact, "P-1,1,1,punch,2026-03-01T06:00Z,2026-03-03T06:00Z")
    record_tool_fits(stood, first, ACTOR, now)
    rows = facts(
        ToolFitFact,
        "P-2,1,1,punch,2026-03-02T06:00Z",
        "P-2,1,1,die,2026-03-02T06:00Z",
        "R-1,1,1,punch,2026-02-01T06:00Z,2026-03-01T06:01Z",
    )
    outcomes = record_tool_fits(stood, rows, ACTOR, now)
    assert became(outcomes) == [REFUSED, CREATED, REFUSED]
    assert told(outcomes[0]) == (
        "fitted_at: position punch holds tool P-1 from 2026-03-01T06:00:00Z to"
        " 2026-03-03T06:00:00Z already; a position holds one tool at a time"
    )
    assert told(outcomes[2]).startswith("removed_at: position punch holds tool P-1 from")
    assert len(stood.execute(select(ToolFit.id)).all()) == 2


def test_a_tool_and_a_coil_must_be_known(stood: Session, now: datetime) -> None:
    fits = facts(ToolFitFact, "Z-9,1,1,punch,2026-03-01T06:00")
    assert told(record_tool_fits(stood, fits, ACTOR, now)[0]) == (
        "serial: there is no tool 'Z-9'; enter it among the tools first"
    )
    runs = facts(CoilRunFact, "K9,1,2026-03-01T06:00")
    assert told(record_coil_runs(stood, runs, ACTOR, now)[0]) == (
        "coil: there is no coil 'K9'; enter it among the coils first"
    )


def test_a_change_of_a_line_is_not_one_of_its_machine(stood: Session, now: datetime) -> None:
    rows = facts(
        ChangeFact,
        "1,,2026-03-01T06:00,label",
        "1,1,2026-03-01T06:00,label",
        "1,,2026-03-01T06:00,label",
        "1,,2026-03-01T06:00,label,new roll",
        "2,,2026-03-01T06:00,label",
    )
    outcomes = record_changes(stood, rows, ACTOR, now)
    assert became(outcomes) == [CREATED, CREATED, UNCHANGED, COMPLETED, CREATED]
    assert set(became(record_changes(stood, rows, ACTOR, now))) == {UNCHANGED}


def _last_record(session: Session) -> AuditRecord:
    return session.execute(
        select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
    ).scalar_one()


def test_one_fact_leaves_its_values_in_the_audit_trail(stood: Session, now: datetime) -> None:
    row = "P-1,1,1,punch,2026-03-01T06:00Z"
    record_tool_fits(stood, facts(ToolFitFact, row), ACTOR, now)
    record_tool_fits(stood, facts(ToolFitFact, row + ",2026-03-02T06:00Z,worn"), ACTOR, now)
    record = _last_record(stood)
    assert (record.actor, record.action, record.at) == ("Robin", "record tool fits", now)
    assert (record.subject_kind, record.subject) == ("tool fits", "P-1 2026-03-01T06:00:00Z")
    assert json.loads(record.after or "") == json.loads(record.before or "") | {
        "removed_at": "2026-03-02T06:00:00Z",
        "removal_reason": "worn",
    }
    assert json.loads(record.after or "")["bodymaker"] == "1-1"
    assert broken_links(stood) == []


def test_many_facts_leave_their_number_keys_and_digest(stood: Session, now: datetime) -> None:
    rows = facts(PalletFact, *(f"N{number},1,2026-03-01T06:00" for number in range(50)))
    record_pallets(stood, rows, ACTOR, now)
    after = json.loads(_last_record(stood).after or "")
    assert after.pop("sha256").isalnum()
    assert after == {"rows": {"created": 50}, "first": "N0", "last": "N49"}
    count = stood.execute(text("SELECT count(*) FROM audit_records")).scalar_one()
    record_pallets(stood, rows, ACTOR, now)
    assert stood.execute(text("SELECT count(*) FROM audit_records")).scalar_one() == count


@pytest.mark.parametrize(
    ("record", "kind", "row"),
    [
        (record_pallets, PalletFact, "N{0},1,2026-03-01T06:00"),
        (record_coil_runs, CoilRunFact, "K1,1,2026-03-{0:02}T06:00"),
        (record_tool_fits, ToolFitFact, "P-1,1,1,punch,2026-03-{0:02}T06:00"),
        (record_changes, ChangeFact, "1,,2026-03-{0:02}T06:00,label"),
        (record_dome_codes, DomeCodeFact, "1-19,1,1,2026-03-{0:02}T06:00"),
        (record_machines, MachineFact, "1,trimmer,{0}"),
    ],
)
def test_the_number_of_statements_does_not_grow_with_the_facts(
    stood: Session, statements: Statements, now: datetime, record: Any, kind: type[Fact], row: str
) -> None:
    def sent(first: int, last: int) -> int:
        rows = facts(kind, *(row.format(number) for number in range(first, last)))
        with statements.counted() as texts:
            assert set(became(record(stood, rows, ACTOR, now))) == {CREATED}
        return len(texts)

    sent(1, 2)
    assert sent(2, 5) == sent(5, 24)
