"""The Counters page, settling through its forms, and two people at once."""

import re
from datetime import datetime, timedelta
from html import unescape
from threading import Barrier, Thread

import pytest
from flask import Flask
from sqlalchemy import Engine, select
from werkzeug.test import TestResponse

from tests.support.clock import Clock
from tests.support.markup import seen, without_help
from tests.support.site import Cast, Visit
from tests.trace import two_lines as plant
from tests.trace.two_lines import hour
from tracelog.db import reading, writing
from tracelog.instants import write_instant
from tracelog.plant.queries import directory
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact
from tracelog.strokes.models import CounterEventRow, CounterSettlement
from tracelog.strokes.queries import machine_span, open_questions

HOURS = 240
FELL = hour(HOURS + 1)
BEFORE = hour(HOURS)
# What 1-1 makes in an hour, and what it has made until then.
PACE = 12_000
UNTIL = HOURS * PACE


@pytest.fixture
def planner(visit: Visit, cast: Cast, own_engine: Engine, clock: Clock) -> Visit:
    """The planner an hour after the counter of 1-1 fell to 5,000; it is read every six hours."""
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session, HOURS)
    show(own_engine, FELL, 5_000)
    clock.instant = hour(HOURS + 2)
    cast.sign_in(visit, "planner")
    visit.get("/counters")
    return visit


def show(engine: Engine, at: datetime, strokes: int) -> None:
    fact = ReadingFact(line=1, bodymaker=1, read_at=at, strokes=strokes)
    with writing(engine) as session:
        plant.kept(record_readings(session, [fact], plant.ACTOR, at))


def address(at: datetime = FELL) -> str:
    return f"/counters/question?machine=1-1&to_at={write_instant(at)}"


def hidden(markup: str) -> dict[str, str]:
    """The hidden fields of the page's last form."""
    found = re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', markup)
    return {name: unescape(value) for name, value in found if name != "csrf_token"}


def answer(visit: Visit, what: str, page: str = "", **fields: str) -> TestResponse:
    shown = page or visit.get(address()).text
    return visit.post("/counters/settle", **{**hidden(shown), "answer": what, **fields})


def total(engine: Engine) -> int:
    with reading(engine) as session:
        machine = directory(session).machine_named("1-1")
        return machine_span(session)[machine.id].strokes - UNTIL


def words(markup: str) -> str:
    """The text of a page, without its tags and its help."""
    return seen(without_help(markup))


def test_the_page_says_what_happened_and_what_follows(planner: Visit) -> None:
    page = words(planner.get("/counters").text)
    assert "1-1 : the counter fell" in page
    assert (
        "It showed 2,880,000 at 2026-02-12 06:00 and 5,000 at 2026-02-12 07:00, 60 min later."
        " Nobody has said why."
    ) in page
    assert "counted neither way: about 12,000 at the machine's pace before" in page
    # 1-3 and 2-2 were never read.
    assert "Counters that say nothing" in page
    assert re.findall(r"(\d-\d) Read it never", page) == ["1-3", "2-2"]
    assert "look first at what sends" not in page


def test_everybody_sees_it_and_a_planner_settles(planner: Visit, cast: Cast) -> None:
    assert "Settle it" in planner.get("/counters").text
    assert "answer" in planner.get(address()).text
    cast.sign_in(planner, "operator")
    page = planner.get("/counters")
    assert (page.status_code, "Settle it" in page.text) == (200, False)
    assert 'name="answer"' not in planner.get(address()).text
    assert answer(planner, "none").status_code == 403
    cast.sign_in(planner, "quality")
    assert "/counters/reading" not in planner.get("/counters").text


def test_the_plausible_strokes_stand_in_the_form_and_are_counted(
    planner: Visit, own_engine: Engine
) -> None:
    page = planner.get(address()).text
    assert re.search(r'name="strokes" type="text" value="12000"', page)
    assert total(own_engine) == 0
    done = answer(planner, "typed", strokes="11,500", note="from the shift book")
    assert (done.status_code, done.location) == (303, "/counters")
    page = words(planner.get("/counters").text)
    assert "Settled: 11,500 strokes of 1-1 are counted." in page
    assert "the counter fell" not in page
    assert "11,500 strokes were made Pedro" in page.replace("pedro", "Pedro")
    assert "from the shift book" in page
    assert total(own_engine) == 11_500


@pytest.mark.parametrize(("what", "strokes"), [("none", 0), ("later", 0)])
def test_one_press_is_enough_where_nothing_has_to_be_typed(
    planner: Visit, own_engine: Engine, what: str, strokes: int
) -> None:
    assert answer(planner, what).status_code == 303
    assert total(own_engine) == strokes
    with reading(own_engine) as session:
        assert open_questions(session) == []


def test_the_earlier_reading_can_be_the_wrong_one(planner: Visit, own_engine: Engine) -> None:
    """After 2,808,000 the figure of six o'clock is out of the way, and the fall is still there."""
    assert answer(planner, "earlier").status_code == 303
    with reading(own_engine) as session:
        row = session.execute(select(CounterSettlement)).scalar_one()
        assert (row.to_at, row.verdict, row.settled_by) == (BEFORE, "misread", "pedro")
        (question,) = open_questions(session)
        assert (question.from_at, question.to_at) == (hour(HOURS - 6), FELL)


def test_a_rise_that_is_right_as_shown_is_counted_as_shown(
    planner: Visit, own_engine: Engine
) -> None:
    answer(planner, "none")
    at = hour(HOURS + 1.5)
    show(own_engine, at, 905_000)
    page = planner.get(address(at)).text
    assert "The counter rose too fast" in page
    assert "That is 30,000 strokes a minute" in words(page)
    assert "The rise is right: count 900,000" in page
    assert answer(planner, "shown", page).status_code == 303
    assert total(own_engine) == 900_000


def test_a_figure_that_cannot_be_is_told_at_its_field_and_what_was_typed_stays(
    planner: Visit, own_engine: Engine
) -> None:
    for typed, told in (
        ("a lot", "is not a whole number"),
        ("120000000", "are more than 1-1 can have made in that time"),
        ("", "is missing; the verdict made needs it"),
    ):
        refused = answer(planner, "typed", strokes=typed, note="as the book says")
        assert refused.status_code == 422
        assert told in words(refused.text)
        assert "as the book says" in refused.text
    assert answer(planner, "perhaps").status_code == 400
    assert total(own_engine) == 0


def test_what_somebody_else_settled_meanwhile_is_told_and_stands(
    planner: Visit, application: Flask, cast: Cast, own_engine: Engine, clock: Clock
) -> None:
    seen = planner.get(address()).text
    other = Visit(application.test_client())
    cast.sign_in(other, "supervisor")
    clock.forward(timedelta(minutes=1))
    assert answer(other, "typed", strokes="9000").status_code == 303
    clock.forward(timedelta(minutes=1))
    refused = answer(planner, "typed", seen, strokes="11500")
    assert refused.status_code == 409
    told = words(refused.text)
    assert "sara settled this at" in told
    assert "9000 strokes were made" in told
    assert total(own_engine) == 9_000
    # Having seen that, it is opened again and settled anew.
    clock.forward(timedelta(minutes=1))
    assert answer(planner, "open", refused.text, note="no").status_code == 303
    assert "opened again" in words(planner.get(address()).text)
    clock.forward(timedelta(minutes=1))
    assert answer(planner, "typed", strokes="11500").status_code == 303
    assert total(own_engine) == 11_500
    history = words(planner.get(address()).text)
    assert history.index("11,500 strokes were made") < history.index("opened again")
    assert history.index("opened again") < history.index("9,000 strokes were made")


def test_of_two_who_settle_at_once_one_is_told_of_the_other(
    planner: Visit, application: Flask, cast: Cast, own_engine: Engine
) -> None:
    other = Visit(application.test_client())
    cast.sign_in(other, "supervisor")
    seen = {visit: visit.get(address()).text for visit in (planner, other)}
    together, answers = Barrier(2), {}

    def settle(visit: Visit, strokes: str) -> None:
        together.wait(timeout=60)
        answers[strokes] = answer(visit, "typed", seen[visit], strokes=strokes)

    threads = [Thread(target=settle, args=one) for one in ((planner, "9000"), (other, "11500"))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(one.status_code for one in answers.values()) == [303, 409]
    [(kept, _done)] = [one for one in answers.items() if one[1].status_code == 303]
    [refused] = [one for one in answers.values() if one.status_code == 409]
    assert f"{kept} strokes were made; look at the question again" in words(refused.text)
    assert total(own_engine) == int(kept)


def test_a_question_that_a_late_reading_has_changed_is_told(
    planner: Visit, own_engine: Engine
) -> None:
    seen = planner.get(address()).text
    show(own_engine, hour(HOURS + 0.5), UNTIL + 6_000)
    refused = answer(planner, "typed", seen, strokes="11500")
    assert refused.status_code == 409
    assert "begins at 2026-02-12T05:30:00Z by now, with 2886000" in refused.text
    event = {"event": "reset", "at": "2026-02-12T06:20", "strokes_after": "0"}
    refused = planner.post("/counters/event", **{**hidden(seen), **event})
    assert refused.status_code == 409
    assert "the question is another by now" in refused.text


def test_a_reset_is_offered_as_late_as_it_can_have_been(planner: Visit, own_engine: Engine) -> None:
    """5,000 strokes take 1-1 at least ten minutes at 500 a minute."""
    page = planner.get(address()).text
    assert '<option value="reset" selected>' in page
    (at,) = re.findall(r'name="at" type="datetime-local" value="([^"]+)"', page)
    assert at == "2026-02-12T06:50:00"
    sent = {**hidden(page), "event": "reset", "at": at, "strokes_after": "0"}
    assert planner.post("/counters/event", **sent).status_code == 303
    page = words(planner.get("/counters").text)
    assert "Kept: the counter of 1-1 was reset to 0." in page
    assert "the counter fell" not in page
    assert total(own_engine) == 5_000


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"at": "2026-02-12T06:00"}, "lies outside of the stretch; give a time after"),
        ({"at": "2026-02-12T07:01"}, "lies outside of the stretch"),
        ({"at": "soon"}, "is not an instant"),
        ({"strokes_after": "6000"}, "does not explain it: from 6,000 the counter cannot have come"),
        ({"strokes_after": "-1"}, "is out of range"),
        ({"event": "kicked"}, "is not one of: reset, preset, replaced"),
    ],
)
def test_an_event_that_does_not_explain_it_is_not_kept(
    planner: Visit, own_engine: Engine, changed: dict[str, str], told: str
) -> None:
    good = {"event": "reset", "at": "2026-02-12T06:50", "strokes_after": "0"}
    page = planner.get(address()).text
    refused = planner.post("/counters/event", **{**hidden(page), **good, **changed})
    assert refused.status_code in (400, 422)
    assert told in words(refused.text)
    with reading(own_engine) as session:
        assert session.execute(select(CounterEventRow)).all() == []


def test_a_reading_that_nobody_asked_about_can_be_found_wrong_too(
    planner: Visit, own_engine: Engine
) -> None:
    page = planner.get(address(BEFORE))
    assert "Nothing is open here" in page.text
    assert answer(planner, "later", page.text).status_code == 303
    page = planner.get(address(BEFORE))
    assert "Settled: the reading is wrong" in words(page.text)
    assert "This reading is wrong" not in page.text


@pytest.mark.parametrize(
    "asked",
    [
        "",
        "?machine=1-1",
        "?machine=1-1&to_at=now",
        "?machine=9-9&to_at=2026-02-12T06:00:00Z",
        "?machine=1-1&to_at=2026-02-12T06:00:01Z",
    ],
)
def test_a_reading_that_is_not_there_is_not_found(planner: Visit, asked: str) -> None:
    assert planner.get(f"/counters/question{asked}").status_code == 404


def test_with_no_question_open_the_page_says_so(
    visit: Visit, cast: Cast, own_engine: Engine, clock: Clock
) -> None:
    with writing(own_engine) as session:
        plant.write_plant(session)
    cast.sign_in(visit, "planner")
    page = words(visit.get("/counters").text)
    assert "All counters are silent" in page
    clock.instant = hour(HOURS)
    cast.sign_in(visit, "planner")
    with writing(own_engine) as session:
        for line, number in plant.MACHINES:
            facts = [
                ReadingFact(line=line, bodymaker=number, read_at=hour(n), strokes=n)
                for n in range(HOURS + 1)
            ]
            plant.kept(record_readings(session, facts, plant.ACTOR, clock.instant))
    assert "No open questions" in words(visit.get("/counters").text)


def test_floor_machine_and_service_lead_to_the_questions(planner: Visit) -> None:
    floor = planner.get("/").text
    assert "counter jumped, nobody has said why (" in words(floor)
    assert 'href="/counters"' in floor
    machine = planner.get("/machines/1/bodymaker/1").text
    (link,) = re.findall(r'href="(/counters/question[^"]+)"', machine)
    assert planner.get(unescape(link)).status_code == 200
    assert planner.get(unescape(link)).text.count("The counter fell") == 1
    assert 'href="/counters"' in planner.get("/service").text
