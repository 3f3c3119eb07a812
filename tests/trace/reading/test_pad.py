"""Candidates on the entry pad and on an entry's page: shown, tapped, kept as a correction."""

import re

import pytest
from sqlalchemy import Engine

from tests.support.clock import Clock
from tests.support.site import Cast, Visit
from tests.trace import two_lines as plant
from tracelog.db import new_id, reading, writing
from tracelog.defects.queries import EntryRecord, entry, last_entries


@pytest.fixture
def somebody(visit: Visit, cast: Cast, own_engine: Engine, clock: Clock) -> Visit:
    """A visitor signed in on the plant of two lines, while it runs."""
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session)
    clock.instant = plant.hour(198)
    cast.sign_in(visit, "supervisor")
    visit.get("/log")
    return visit


def kept(engine: Engine) -> EntryRecord:
    """The entry that was logged last, with its history."""
    with reading(engine) as session:
        return entry(session, last_entries(session, 1)[0].id)


def offered(markup: str) -> list[str]:
    """Codes of the candidates, in order; the last one, blank, leaves the code as read."""
    return re.findall(r'name="settled" value="([^"]*)"', markup)


def tap(somebody: Visit, **tapped: str) -> int:
    values = {"id": str(new_id()), "line": "1", "number": "?", "defect": "split", "cans": "1"}
    return somebody.post("/log", **{**values, **tapped}).status_code


def test_a_code_in_part_shows_its_candidates_and_logs_nothing(
    somebody: Visit, own_engine: Engine
) -> None:
    page = somebody.post("/log", line="1", number="?", show="candidates")
    assert page.status_code == 200
    assert offered(page.text) == ["1-2", "1-1", "1-3", ""]
    assert "67\xa0%" in page.text
    with reading(own_engine) as session:
        assert last_entries(session, 1) == []


def test_a_doubted_code_shows_what_is_read_like_it(somebody: Visit) -> None:
    page = somebody.post("/log", line="1", number="2", unsure="yes", show="candidates").text
    assert offered(page)[:2] == ["1-2", "2-1"]
    assert offered(page)[-1] == ""
    assert "line and machine swapped" in page


def test_tapping_one_settles_the_entry_and_what_was_read_stays(
    somebody: Visit, own_engine: Engine
) -> None:
    assert tap(somebody, settled="1-2") == 303
    record = kept(own_engine)
    assert record.original.dome_code == "1-?"
    assert record.now.machine is not None
    assert record.now.machine.text == "1-2"
    [correction] = record.corrections
    assert "read as 1-?" in correction.reason
    page = somebody.get(f"/log/{record.now.id}").text
    assert "1-?" in page
    assert "Settled as" in page


def test_a_form_sent_twice_settles_once(somebody: Visit, own_engine: Engine) -> None:
    own = str(new_id())
    assert [tap(somebody, id=own, settled="1-2") for _again in range(2)] == [303, 303]
    assert len(kept(own_engine).corrections) == 1


def test_leaving_it_keeps_it_as_read(somebody: Visit, own_engine: Engine) -> None:
    assert tap(somebody, settled="") == 303
    record = kept(own_engine)
    assert (record.now.dome_code, record.now.machine, record.corrections) == ("1-?", None, ())


def test_what_is_no_code_settles_nothing_and_logs_nothing(
    somebody: Visit, own_engine: Engine
) -> None:
    assert tap(somebody, settled="the left one") == 422
    with reading(own_engine) as session:
        assert last_entries(session, 1) == []


def test_later_evidence_settles_an_entry_on_its_page(somebody: Visit, own_engine: Engine) -> None:
    tap(somebody)
    own = kept(own_engine).now.id
    page = somebody.get(f"/log/{own}").text
    assert offered(page) == ["1-2", "1-1", "1-3"]
    nothing = somebody.post(f"/log/{own}/settled", corrections="0")
    assert nothing.status_code == 422
    assert "tap the machine" in nothing.text
    somebody.get(f"/log/{own}")
    answer = somebody.post(
        f"/log/{own}/settled", settled="1-1", why="a second can reads 1-1", corrections="0"
    )
    assert answer.status_code == 303
    record = kept(own_engine)
    assert (record.original.dome_code, record.now.dome_code) == ("1-?", "1-1")
    assert record.corrections[0].reason == "a second can reads 1-1"


def test_two_people_who_settle_at_once_are_told(somebody: Visit, own_engine: Engine) -> None:
    tap(somebody)
    own = kept(own_engine).now.id
    somebody.get(f"/log/{own}")
    first = somebody.post(f"/log/{own}/settled", settled="1-1", corrections="0")
    second = somebody.post(f"/log/{own}/settled", settled="1-2", corrections="0")
    assert (first.status_code, second.status_code) == (303, 409)
    assert kept(own_engine).now.dome_code == "1-1"
