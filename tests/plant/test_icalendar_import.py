"""Calendar files taken over: again, moved, cancelled, gone; what was known stays known."""

import json
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.plant.calendar_files import CLEANING, SPRING, calendar_file
from tests.support.statements import Statements
from tracelog.audit import Actor, AuditRecord, broken_links
from tracelog.errors import UnknownReference
from tracelog.plant.actions import record_lines, record_machines, record_plant
from tracelog.plant.calendar import planned_periods, standing_periods
from tracelog.plant.calendar_actions import record_planned_periods, withdraw_planned_period
from tracelog.plant.calendar_facts import PlannedPeriodFact
from tracelog.plant.calendar_rules import PeriodKind
from tracelog.plant.facts import LineFact, MachineFact, PlantFact
from tracelog.plant.icalendar_actions import ImportedCalendar, import_calendar
from tracelog.plant.icalendar_events import read_calendar
from tracelog.plant.icalendar_matching import CalendarPlace, ImportChoice
from tracelog.plant.icalendar_writing import write_calendar
from tracelog.plant.models import PlannedPeriod
from tracelog.plant.queries import directory

ACTOR = Actor("Robin", "planner", "command")
ZONE = ZoneInfo("Europe/Madrid")
NOW = datetime(2026, 3, 1, 9, tzinfo=UTC)
LATER = NOW + timedelta(days=5)
LINE_3 = CalendarPlace(3)
SINGLE = "UID:single\nDTSTART:20260310T060000Z\nDTEND:20260310T140000Z\nSUMMARY:label change"
MOVED_SINGLE = SINGLE.replace("20260310", "20260312")


@pytest.fixture
def plant(session: Session) -> Session:
    """A plant of lines 3 and 4; bodymaker 7 stands on line 3."""
    fact = PlantFact.read({"name": "Alder Point", "time_zone": ZONE.key}, ZONE)
    record_plant(session, [fact], ACTOR, NOW)
    record_lines(session, [LineFact.read({"line": n}, ZONE) for n in (3, 4)], ACTOR, NOW)
    machine = {"line": 3, "station": "bodymaker", "number": 7}
    record_machines(session, [MachineFact.read(machine, ZONE)], ACTOR, NOW)
    return session


def take(
    session: Session,
    *events: str,
    now: datetime = NOW,
    head: str = "",
    dry_run: bool = False,
    **choice: Any,
) -> ImportedCalendar:
    chosen = {"place": LINE_3, "kind": PeriodKind.STOP} | choice
    content = read_calendar(calendar_file(*events, head=head), ZONE, *SPRING)
    return import_calendar(
        session, content, ImportChoice(*SPRING, **chosen), ACTOR, now, dry_run=dry_run
    )


def standing(session: Session, as_of: datetime | None = None) -> list[str]:
    """Each period: place, start, reason."""
    known = directory(session)
    return [
        f"{known.line_numbers.get(one.line_id) if one.line_id else 'plant'}"
        f" {one.starts_at:%m-%d %H:%M} {one.reason}"
        for one in planned_periods(session, *SPRING, as_of=as_of)
    ]


def audits(session: Session) -> int:
    return session.execute(select(func.count()).select_from(AuditRecord)).scalar_one()


def test_each_repetition_becomes_a_period_and_the_same_file_again_changes_nothing(
    plant: Session,
) -> None:
    assert take(plant, CLEANING).counts == {"added": 4}
    assert standing(plant) == [
        "3 03-24 05:00 weekly cleaning",
        "3 03-31 04:00 weekly cleaning",
        "3 04-07 04:00 weekly cleaning",
        "3 04-14 04:00 weekly cleaning",
    ]
    before = audits(plant)
    again = take(plant, CLEANING, now=LATER)
    assert (again.counts, again.is_kept) == ({"unchanged": 4}, False)
    assert audits(plant) == before
    assert not broken_links(plant)


def test_one_audit_record_tells_of_an_import(plant: Session) -> None:
    before = audits(plant)
    take(plant, CLEANING)
    assert audits(plant) == before + 1
    record = plant.execute(
        select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
    ).scalar_one()
    assert (record.action, record.subject) == ("import calendar", "4 events of a calendar file")
    assert json.loads(record.after or "")["rows"] == {"added": 4}
    assert set(plant.execute(select(PlannedPeriod.audit_id)).scalars()) == {record.id}


def test_only_looking_says_what_would_be_done(plant: Session) -> None:
    before = audits(plant)
    looked = take(plant, CLEANING, dry_run=True)
    assert (looked.counts, looked.is_kept) == ({"added": 4}, False)
    assert (standing(plant), audits(plant)) == ([], before)


def test_a_moved_event_is_withdrawn_as_it_was_and_made_anew(plant: Session) -> None:
    take(plant, SINGLE)
    assert take(plant, MOVED_SINGLE, now=LATER).counts == {"moved": 1}
    assert standing(plant) == ["3 03-12 06:00 label change"]
    assert standing(plant, as_of=NOW) == ["3 03-10 06:00 label change"]
    assert standing(plant, as_of=LATER) == ["3 03-12 06:00 label change"]


def test_a_moved_event_moved_when_the_file_says_it_did(plant: Session) -> None:
    take(plant, SINGLE)
    take(plant, MOVED_SINGLE + "\nLAST-MODIFIED:20260303T120000Z", now=LATER)
    day_before, day_after = (datetime(2026, 3, day, 12, tzinfo=UTC) for day in (2, 3))
    assert standing(plant, as_of=day_before) == ["3 03-10 06:00 label change"]
    assert standing(plant, as_of=day_after) == ["3 03-12 06:00 label change"]


@pytest.mark.parametrize("stamp", ["20260101T000000Z", "20270101T000000Z"])
def test_a_move_is_not_dated_before_the_event_was_known_nor_ahead(
    plant: Session, stamp: str
) -> None:
    take(plant, SINGLE)
    take(plant, MOVED_SINGLE + f"\nLAST-MODIFIED:{stamp}", now=LATER)
    assert standing(plant, as_of=LATER - timedelta(hours=1)) == ["3 03-10 06:00 label change"]
    assert standing(plant, as_of=LATER) == ["3 03-12 06:00 label change"]


def test_an_event_was_known_since_the_file_says_it_was_written(plant: Session) -> None:
    take(plant, SINGLE + "\nCREATED:20260210T080000Z")
    assert standing(plant, as_of=datetime(2026, 2, 10, 7, tzinfo=UTC)) == []
    assert standing(plant, as_of=datetime(2026, 2, 10, 8, tzinfo=UTC)) != []


def test_one_repetition_that_moves_leaves_the_others_as_they_are(plant: Session) -> None:
    take(plant, CLEANING)
    moved = """
        UID:cleaning-1
        RECURRENCE-ID;TZID=Europe/Madrid:20260331T060000
        DTSTART;TZID=Europe/Madrid:20260401T060000
        DTEND;TZID=Europe/Madrid:20260401T140000
        SUMMARY:cleaning, put off
    """
    assert take(plant, CLEANING, moved, now=LATER).counts == {"unchanged": 3, "moved": 1}
    assert standing(plant)[1] == "3 04-01 04:00 cleaning, put off"


def test_a_new_wording_is_put_right_in_place(plant: Session) -> None:
    take(plant, SINGLE)
    other = SINGLE.replace("label change", "label change, short")
    assert take(plant, other, now=LATER).counts == {"reworded": 1}
    assert standing(plant, as_of=NOW) == ["3 03-10 06:00 label change, short"]
    # No wording at all says nothing about it.
    bare = SINGLE.replace("SUMMARY:label change", "")
    assert take(plant, bare, now=LATER).counts == {"unchanged": 1}


@pytest.mark.parametrize("head", ["", "METHOD:CANCEL"])
def test_a_cancelled_event_is_withdrawn(plant: Session, head: str) -> None:
    take(plant, SINGLE)
    cancelled = SINGLE if head else SINGLE + "\nSTATUS:CANCELLED"
    assert take(plant, cancelled, head=head, now=LATER).counts == {"withdrawn": 1}
    assert standing(plant) == []
    assert standing(plant, as_of=NOW) == ["3 03-10 06:00 label change"]
    assert take(plant, cancelled, head=head, now=LATER).counts == {}


def test_a_repetition_that_the_series_no_longer_has_is_withdrawn(plant: Session) -> None:
    take(plant, CLEANING, SINGLE)
    fewer = CLEANING + "EXDATE;TZID=Europe/Madrid:20260407T060000"
    counts = take(plant, fewer, now=LATER).counts
    assert counts == {"unchanged": 3, "withdrawn": 1}
    # The single event is not in the file at all, and nobody asked to replace.
    assert "3 03-10 06:00 label change" in standing(plant)
    assert "3 04-07 04:00 weekly cleaning" not in standing(plant)


def test_an_event_that_left_the_time_asked_for_is_withdrawn(plant: Session) -> None:
    take(plant, SINGLE)
    assert take(plant, SINGLE.replace("202603", "202609"), now=LATER).counts == {"withdrawn": 1}


def test_an_event_that_became_a_series_is_followed(plant: Session) -> None:
    take(plant, SINGLE)
    weekly = SINGLE + "\nRRULE:FREQ=WEEKLY;COUNT=2"
    assert take(plant, weekly, now=LATER).counts == {"added": 2, "withdrawn": 1}
    assert standing(plant) == ["3 03-10 06:00 label change", "3 03-17 06:00 label change"]


def test_an_event_that_vanished_is_withdrawn_only_when_asked(plant: Session) -> None:
    take(plant, SINGLE, CLEANING)
    take(plant, SINGLE, place=CalendarPlace(4))
    typed = {"kind": "stop", "line": 3, "starts_at": "2026-03-20", "ends_at": "2026-03-20"}
    record_planned_periods(plant, [PlannedPeriodFact.read(typed, ZONE)], ACTOR, NOW)
    assert take(plant, CLEANING, now=LATER).counts == {"unchanged": 4}
    replaced = take(plant, CLEANING, now=LATER, replaces=True)
    assert replaced.counts == {"unchanged": 4, "withdrawn": 1}
    # What was typed in, and what belongs to another line, stays.
    assert "4 03-10 06:00 label change" in standing(plant)
    assert "3 03-19 23:00 None" in standing(plant)
    assert "3 03-10 06:00 label change" not in standing(plant)


def test_replacing_stops_leaves_times_without_service(plant: Session) -> None:
    take(plant, SINGLE, kind=PeriodKind.NO_SERVICE)
    assert take(plant, CLEANING, replaces=True).counts == {"added": 4}
    assert take(plant, CLEANING, replaces=True, kind=None, place=None).faults
    assert len(standing(plant)) == 5


def test_one_file_may_be_taken_for_several_lines(plant: Session) -> None:
    take(plant, SINGLE)
    assert take(plant, SINGLE, place=CalendarPlace(4)).counts == {"added": 1}
    assert take(plant, SINGLE, place=CalendarPlace(3, 7)).counts == {"added": 1}
    assert take(plant, SINGLE, place=CalendarPlace()).counts == {"added": 1}
    assert take(plant, MOVED_SINGLE, place=CalendarPlace(4)).counts == {"moved": 1}
    assert sorted(standing(plant)) == [
        "3 03-10 06:00 label change",
        "3 03-10 06:00 label change",
        "4 03-12 06:00 label change",
        "plant 03-10 06:00 label change",
    ]


def test_what_was_withdrawn_here_stays_so_until_the_file_changes_it_or_it_is_asked_for(
    plant: Session,
) -> None:
    take(plant, SINGLE)
    (view,) = planned_periods(plant, *SPRING)
    withdraw_planned_period(plant, view.id, ACTOR, NOW + timedelta(days=1))
    assert take(plant, SINGLE, now=LATER).counts == {"left out": 1}
    assert standing(plant) == []
    asked = take(plant, SINGLE, now=LATER, brings_back=True, dry_run=True)
    assert asked.counts == {"added": 1}
    changed = SINGLE + "\nLAST-MODIFIED:20260303T000000Z"
    assert take(plant, changed, now=LATER).counts == {"added": 1}
    assert standing(plant, as_of=NOW + timedelta(days=1, hours=1)) == []
    assert standing(plant) == ["3 03-10 06:00 label change"]


def test_events_may_name_their_own_place_and_kind(plant: Session) -> None:
    events = [
        SINGLE.replace("single", "1") + "\nLOCATION:Line 3\nCATEGORIES:Stop",
        SINGLE.replace("single", "2") + "\nCATEGORIES:line 4,No Service",
        SINGLE.replace("single", "3") + " of bodymaker 3-7\nLOCATION:hall\nCATEGORIES:stop",
        SINGLE.replace("single", "4") + "\nLOCATION:Whole plant\nCATEGORIES:stop",
        SINGLE.replace("single", "5") + "\nLOCATION:Line 3, bodymaker 3-7\nCATEGORIES:stop",
    ]
    assert take(plant, *events, place=None, kind=None).counts == {"added": 5}
    rows = plant.execute(select(PlannedPeriod).order_by(PlannedPeriod.uid)).scalars().all()
    known = directory(plant)
    line_3, line_4 = known.lines[3], known.lines[4]
    machine = known.bodymaker(3, 7).id
    assert [(row.line_id, row.machine_id, row.kind) for row in rows] == [
        (line_3, None, "stop"),
        (line_4, None, "no service"),
        (line_3, machine, "stop"),
        (None, None, "stop"),
        (line_3, machine, "stop"),
    ]


@pytest.mark.parametrize(
    ("event", "told"),
    [
        (SINGLE + "\nCATEGORIES:stop", "event 'label change': does not say where"),
        (SINGLE + "\nLOCATION:line 3", "does not say what is planned"),
        (SINGLE + "\nCATEGORIES:stop\nLOCATION:line 3 and line 4", "names more than one place"),
        (SINGLE + "\nCATEGORIES:stop\nLOCATION:line 9", "there is no line 9; lines are 3, 4"),
        (SINGLE + "\nCATEGORIES:stop\nLOCATION:bodymaker 3-8", "line 3 has no bodymaker 8"),
    ],
)
def test_an_event_whose_place_or_kind_is_missing_keeps_the_whole_file_out(
    plant: Session, event: str, told: str
) -> None:
    good = SINGLE.replace("single", "good") + "\nCATEGORIES:stop\nLOCATION:line 3"
    done = take(plant, good, event, place=None, kind=None)
    (fault,) = done.faults
    assert told in fault
    assert (done.is_kept, standing(plant)) == (False, [])


def test_a_fault_of_a_series_is_told_once(plant: Session) -> None:
    assert len(take(plant, CLEANING, place=None).faults) == 1


def test_a_chosen_place_that_is_not_there_is_told_at_its_field(plant: Session) -> None:
    with pytest.raises(UnknownReference) as caught:
        take(plant, SINGLE, place=CalendarPlace(9))
    assert caught.value.field == "line"


def test_an_export_changes_nothing_where_it_comes_from_and_is_the_same_elsewhere(
    plant: Session,
) -> None:
    take(plant, CLEANING)
    take(plant, SINGLE, place=CalendarPlace(3, 7), kind=PeriodKind.NO_SERVICE)
    typed = {
        "kind": "stop",
        "starts_at": "2026-03-28",
        "ends_at": "2026-03-29",
        "reason": "holiday",
    }
    record_planned_periods(plant, [PlannedPeriodFact.read(typed, ZONE)], ACTOR, NOW)
    raw = write_calendar(standing_periods(plant), directory(plant), ZONE, "Alder Point")
    content = read_calendar(raw, ZONE, *SPRING)
    choice = ImportChoice(*SPRING)
    back = import_calendar(plant, content, choice, ACTOR, LATER)
    assert (back.counts, back.is_kept) == ({"unchanged": 6}, False)

    before = [standing(plant), standing(plant, as_of=NOW - timedelta(days=9))]
    plant.execute(PlannedPeriod.__table__.delete())  # type: ignore[attr-defined]
    assert import_calendar(plant, content, choice, ACTOR, LATER).counts == {"added": 6}
    assert [standing(plant), standing(plant, as_of=NOW - timedelta(days=9))] == before
    again = write_calendar(standing_periods(plant), directory(plant), ZONE, "Alder Point")
    stamped = f"DTSTAMP:{LATER:%Y%m%dT%H%M%SZ}"
    assert again.decode() == raw.decode().replace(f"DTSTAMP:{NOW:%Y%m%dT%H%M%SZ}", stamped)


def test_the_number_of_statements_does_not_grow_with_the_events(
    plant: Session, statements: Statements
) -> None:
    def sent(count: int) -> int:
        events = [SINGLE.replace("single", f"{count}-{n}") for n in range(count)]
        with statements.counted() as texts:
            assert take(plant, *events).counts == {"added": count}
        return len(texts)

    assert sent(2) == sent(15)
