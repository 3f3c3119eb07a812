"""The Service page, and recording a service or a tool change through the forms."""

import re
from collections.abc import Callable
from html import unescape
from threading import Barrier, Thread

import pytest
from flask import Flask
from sqlalchemy import Engine, func, select

import tracelog.schema  # noqa: F401 - every table is known by then
from tests.service.recording import AT, CHANGE, SERVICE, fits, send, wrong
from tests.support.clock import Clock
from tests.support.site import Cast, Visit
from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import hour
from tracelog.audit import AuditRecord, broken_links
from tracelog.db import Base, reading, writing
from tracelog.plant.models import Tool
from tracelog.service.models import Service

Counted = Callable[[], dict[str, int]]


@pytest.fixture
def counted(own_engine: Engine, planner: Visit) -> Counted:
    """How many rows each table has; to be asked again."""

    def rows() -> dict[str, int]:
        with reading(own_engine) as session:
            return {
                table.name: session.execute(select(func.count()).select_from(table)).scalar_one()
                for table in Base.metadata.sorted_tables
            }

    return rows


def last_record(engine: Engine) -> AuditRecord:
    with reading(engine) as session:
        found = session.execute(
            select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
        ).scalar_one()
        session.expunge(found)
        assert not list(broken_links(session))
        return found


# --- the page


def test_the_page_shows_machines_and_tools_by_what_is_used_up(planner: Visit) -> None:
    page = planner.get("/service").text
    machines, tools = re.findall(r"<tbody>(.*?)</tbody>", page, re.DOTALL)
    assert re.findall(r'scope="row"><a href="([^"]+)"', machines)[0] == "/machines/1/bodymaker/2"
    assert "overdue" in machines
    assert machines.count("<tr>") == 16
    assert tools.count("<tr>") == 1  # only one tool has an expected life
    assert "8.64" in tools
    assert "/service/tools/A" in tools


def test_the_page_is_narrowed_to_one_level(planner: Visit) -> None:
    page = planner.get("/service?service=calibrate").text
    machines = re.findall(r"<tbody>(.*?)</tbody>", page, re.DOTALL)[0]
    assert machines.count("<tr>") == 5
    answer = planner.get("/service?service=polish")
    assert answer.status_code == 422
    assert "there is no service 'polish'; services are" in unescape(answer.text).lower()


def test_a_plant_without_levels_says_what_to_do(
    visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    with writing(own_engine) as session:
        plant.write_plant(session)
    cast.sign_in(visit, "planner")
    assert "No levels of service yet" in visit.get("/service").text
    form = visit.get("/service/record?machine=1-1").text
    assert '<input id="field-service" name="service"' in form
    assert send(visit, SERVICE, service="polish").status_code == 303


def test_the_page_asks_a_fixed_number_of_statements(planner: Visit, own_engine: Engine) -> None:
    def sent() -> int:
        statements = Statements(own_engine)
        with statements.counted() as texts:
            assert planner.get("/service").status_code == 200
        statements.close()
        return len(texts)

    def more(numbers: range) -> None:
        with writing(own_engine) as session:
            for number in numbers:
                plant.write_tools(session, {f"T-{number}": plant.MILLION})
                plant.fit(session, f"T-{number}", "1-2", f"ring-{number}", number)
                plant.serve(session, "1-2", "minor", number)

    more(range(1, 2))
    planner.get("/service")
    before = sent()
    more(range(2, 8))
    assert sent() == before <= 25


def test_the_form_shows_cautions_and_what_is_in_the_machine(planner: Visit) -> None:
    page = planner.get("/service/record?machine=1-1").text
    assert page.count('class="caution"') == 2
    assert "In 1-1 now" in page
    assert '<td class="close"><a href="/service/tools/A">A</a></td>' in page
    assert '<option value="1-1" selected>' in page
    assert '<option value="clean"' not in page  # a washer's
    assert 'value="2026-03-04T10:30"' in page


@pytest.mark.parametrize("machine", ["9-9", "1 washer 1", "x"])
def test_the_form_of_a_machine_that_is_not_there_chooses_none(planner: Visit, machine: str) -> None:
    answer = planner.get(f"/service/record?machine={machine}")
    assert answer.status_code == 200
    assert "now</caption>" not in answer.text


# --- a service


def test_a_service_is_kept_with_an_audit_record(
    planner: Visit, own_engine: Engine, clock: Clock
) -> None:
    answer = send(planner, SERVICE, unplanned="yes")
    asks = "/service/record/tools?machine=1-1&at=2026-03-03T08%3A00"
    assert (answer.status_code, answer.location) == (303, asks)
    with reading(own_engine) as session:
        [row] = session.execute(select(Service)).scalars()
        assert row.done_at == hour(29 * 24 + 2)
        assert (row.service, row.unplanned, row.note) == ("minor", True, "two belts")
        record = last_record(own_engine)
        assert record.id == row.audit_id
    assert ("pedro" in record.actor, record.door, record.at) == (True, "page", clock.now())
    page = planner.get(answer.location).text
    assert "Kept: minor on 1-1." in page
    assert "two belts" in planner.get("/machines/1/bodymaker/1").text


def test_a_service_sent_twice_is_kept_once(planner: Visit, counted: Counted) -> None:
    assert send(planner, SERVICE).status_code == 303
    before = counted()
    assert send(planner, SERVICE).status_code == 303
    assert counted() == before


def test_the_same_service_with_another_note_is_a_conflict(planner: Visit, counted: Counted) -> None:
    send(planner, SERVICE)
    before = counted()
    answer = send(planner, SERVICE, note="three belts")
    assert answer.status_code == 409
    assert "two belts" in wrong(answer.text)["note"]
    assert "three belts</textarea>" in answer.text
    assert counted() == before


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("machine", "", "is missing; choose a bodymaker such as 3-7"),
        ("machine", "9-1", "there is no line 9"),
        ("machine", "1-9", "line 1 has no bodymaker 9"),
        ("machine", "1 washer 1", "1 washer 1 is no bodymaker"),
        ("machine", "first", "'first' is not a machine"),
        ("service", "", "is missing"),
        ("service", "polish", "there is no service 'polish' of a bodymaker"),
        ("service", "x" * 81, "at most 80 are kept"),
        ("done_at", "", "is missing"),
        ("done_at", "yesterday", "'yesterday' is not an instant"),
        ("done_at", "2026-03-04T10:31", "lies ahead; only what was done is recorded"),
        ("done_at", "2025-03-30T02:30", "does not exist in Europe/Madrid"),
        ("done_at", "2025-10-26T02:30", "occurs twice in Europe/Madrid"),
        ("unplanned", "perhaps", "neither 'yes' nor 'no'"),
        ("note", "a\x00b", "has a control character"),
    ],
)
def test_a_bad_field_of_a_service_is_told_at_the_field(
    planner: Visit, counted: Counted, field: str, value: str, sentence: str
) -> None:
    before = counted()
    answer = send(planner, SERVICE, **{field: value})
    assert 400 <= answer.status_code < 500
    told = wrong(answer.text)
    assert list(told) == [field]
    assert sentence in told[field]
    assert f'href="#field-{field}"' in answer.text
    assert counted() == before


def test_what_was_typed_is_still_there(planner: Visit) -> None:
    page = send(planner, SERVICE, done_at="2026-03-09T08:00").text
    assert 'value="2026-03-09T08:00"' in page
    assert "two belts</textarea>" in page
    assert '<option value="minor" selected>' in page


# --- a tool change


def test_a_tool_change_takes_one_out_and_puts_one_in(
    planner: Visit, own_engine: Engine, clock: Clock
) -> None:
    answer = send(planner, CHANGE)
    assert (answer.status_code, answer.location) == (303, "/machines/1/bodymaker/1")
    assert fits(own_engine) == [
        ("A", "2026-02-02T06:00", AT, "worn"),
        ("C", "2026-02-02T06:00", None, None),
        ("B", AT, None, None),
    ]
    record = last_record(own_engine)
    assert ("pedro" in record.actor, record.door, record.at) == (True, "page", clock.now())
    assert "Kept: ring-3 of 1-1." in planner.get(answer.location).text


def test_a_tool_change_sent_twice_changes_nothing(planner: Visit, counted: Counted) -> None:
    for change in (CHANGE, {**CHANGE, "removal_reason": ""}):
        assert send(planner, change).status_code == 303
        before = counted()
        assert send(planner, change).status_code == 303
        assert counted() == before


def test_a_position_can_be_left_empty(planner: Visit, own_engine: Engine, counted: Counted) -> None:
    assert send(planner, CHANGE, serial="", removal_reason="").status_code == 303
    assert fits(own_engine)[0] == ("A", "2026-02-02T06:00", AT, "unknown")
    before = counted()
    assert send(planner, CHANGE, serial="", removal_reason="").status_code == 303
    assert counted() == before
    assert "In 1-1 now" not in planner.get("/service/record?machine=1-1").text


def test_an_empty_position_is_filled(planner: Visit, own_engine: Engine) -> None:
    assert send(planner, CHANGE, position="ring-2").status_code == 303
    assert ("B", AT, None, None) in fits(own_engine)
    assert fits(own_engine)[0] == ("A", "2026-02-02T06:00", None, None)


def test_a_tool_that_is_new_here_is_entered_with_its_type(
    planner: Visit, own_engine: Engine
) -> None:
    assert send(planner, CHANGE, serial="N-1", tool_type="ring-3").status_code == 303
    with reading(own_engine) as session:
        found = session.execute(select(Tool.tool_type).where(Tool.serial == "N-1")).scalar_one()
    assert found == "ring-3"


def test_a_tool_goes_from_one_machine_to_another(planner: Visit, own_engine: Engine) -> None:
    assert (
        send(planner, CHANGE, machine="2-1", serial="", removal_reason="moved").status_code == 303
    )
    assert send(planner, CHANGE, serial="C", at="2026-03-03T09:00").status_code == 303
    assert ("C", "2026-02-02T06:00", AT, "moved") in fits(own_engine)
    assert ("C", "2026-03-03T09:00", None, None) in fits(own_engine)


def test_a_change_told_late_takes_its_place_in_the_order(
    planner: Visit, own_engine: Engine
) -> None:
    """Nobody told when A was taken out; then a change before the last one comes to light."""
    with writing(own_engine) as session:
        plant.fit(session, "B", "1-1", "ring-3", 29 * 24)
        plant.write_tools(session, {"D": None})
    answer = send(planner, CHANGE, serial="D", at="2026-02-20T08:00", removal_reason="broken")
    assert answer.status_code == 303
    assert [fit for fit in fits(own_engine) if fit[0] in "AD"] == [
        ("A", "2026-02-02T06:00", "2026-02-20T08:00", "broken"),
        ("D", "2026-02-20T08:00", None, None),
    ]


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("machine", "", "is missing; choose a bodymaker"),
        ("machine", "9-1", "there is no line 9"),
        ("machine", "1 washer 1", "is no bodymaker"),
        ("position", "", "is missing"),
        ("position", "ring3", "there is no position 'ring3'; near it: ring-"),
        ("position", "Ring-3", "there is no position 'Ring-3'; near it: ring-3"),
        ("position", "qqq", "there is no position 'qqq'; positions are"),
        ("position", "x" * 81, "at most 80 are kept"),
        ("at", "", "is missing"),
        ("at", "soon", "'soon' is not an instant"),
        ("at", "2026-03-04T10:31", "lies ahead"),
        ("at", "2025-03-30T02:30", "does not exist in Europe/Madrid"),
        ("removal_reason", "bored", "is not one of"),
        ("serial", "C", "tool C is in 2-1 ring-3 since 2026-02-02 06:00; record first"),
        ("serial", "A", "tool A is in that position since 2026-02-02 06:00"),
        ("serial", "Z-1", "there is no tool 'Z-1' on record; read the serial again"),
        ("serial", "x" * 81, "at most 80 are kept"),
        ("tool_type", "x" * 81, "at most 80 are kept"),
    ],
)
def test_a_bad_field_of_a_tool_change_is_told_at_the_field(
    planner: Visit, counted: Counted, field: str, value: str, sentence: str
) -> None:
    before = counted()
    answer = send(planner, CHANGE, **{field: value})
    assert 400 <= answer.status_code < 500
    told = wrong(answer.text)
    assert list(told) == [f"tool-{field}"]
    assert sentence in told[f"tool-{field}"]
    assert f'href="#field-tool-{field}"' in answer.text
    assert f'id="field-tool-{field}"' in answer.text
    assert counted() == before


def test_nothing_can_be_taken_out_of_an_empty_position(planner: Visit, counted: Counted) -> None:
    before = counted()
    answer = send(planner, CHANGE, position="ring-1", serial="")
    assert answer.status_code == 400
    assert "no tool is in ring-1 to be taken out" in wrong(answer.text)["tool-serial"]
    assert counted() == before


def test_a_known_tool_keeps_its_type(planner: Visit, own_engine: Engine, counted: Counted) -> None:
    send(planner, CHANGE, serial="N-1", tool_type="ring-3")
    send(planner, CHANGE, serial="", at="2026-03-03T09:00")
    before = counted()
    answer = send(planner, CHANGE, serial="N-1", tool_type="punch", at="2026-03-03T10:00")
    assert answer.status_code == 409
    assert "on record with another type" in wrong(answer.text)["tool-tool_type"]
    assert counted() == before


def test_a_removal_that_was_told_otherwise_is_a_conflict(planner: Visit, counted: Counted) -> None:
    send(planner, CHANGE, serial="")
    before = counted()
    for field, other in (("at", "2026-03-03T07:00"), ("removal_reason", "broken")):
        answer = send(planner, CHANGE, **{"serial": "", field: other})
        assert answer.status_code == 409
        assert list(wrong(answer.text)) == [f"tool-{field}"]
    assert counted() == before


# --- who may, and two at once


@pytest.mark.parametrize("what", [SERVICE, CHANGE])
@pytest.mark.parametrize("role", ["operator", "quality"])
def test_a_role_without_the_permission_is_refused(
    planner: Visit,
    application: Flask,
    cast: Cast,
    counted: Counted,
    role: str,
    what: dict[str, str],
) -> None:
    other = Visit(application.test_client())
    cast.sign_in(other, role)
    other.get("/log")
    before = counted()
    assert other.get("/service/record").status_code == 403
    assert send(other, what).status_code == 403
    assert "Record work" not in other.get("/service").text
    assert counted() == before


@pytest.mark.parametrize("what", [SERVICE, CHANGE])
def test_a_form_of_another_site_is_refused(
    planner: Visit, counted: Counted, what: dict[str, str]
) -> None:
    before = counted()
    assert send(planner, what, csrf_token="made up").status_code == 400
    assert counted() == before


def test_of_two_changes_of_one_place_at_once_one_is_kept(
    planner: Visit, application: Flask, cast: Cast, own_engine: Engine
) -> None:
    with writing(own_engine) as session:
        plant.write_tools(session, {"D": None})
    other = Visit(application.test_client())
    cast.sign_in(other, "supervisor")
    other.get("/service/record")
    together, answers = Barrier(2), {}

    def change(visit: Visit, serial: str) -> None:
        together.wait(timeout=60)
        answers[serial] = send(visit, CHANGE, serial=serial)

    threads = [Thread(target=change, args=one) for one in ((planner, "B"), (other, "D"))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answer.status_code for answer in answers.values()) == [303, 409]
    [kept] = [serial for serial, answer in answers.items() if answer.status_code == 303]
    [refused] = [answer for answer in answers.values() if answer.status_code == 409]
    assert f"position ring-3 holds tool {kept}" in wrong(refused.text)["tool-at"]
    assert [one[0] for one in fits(own_engine) if one[1] == AT] == [kept]
