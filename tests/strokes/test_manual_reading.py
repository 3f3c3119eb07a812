"""Reading a counter by hand: what is likely is kept, what is not is asked about once more."""

import re
from datetime import timedelta
from html import unescape

import pytest
from sqlalchemy import Engine, select
from werkzeug.test import TestResponse

from tests.support.clock import Clock
from tests.support.site import Cast, Visit
from tests.trace import two_lines as plant
from tests.trace.two_lines import ZONE, hour
from tracelog.audit import AuditRecord
from tracelog.db import reading, writing
from tracelog.plant.queries import directory
from tracelog.strokes.actions import record_counter_events, record_readings
from tracelog.strokes.facts import CounterEventFact, ReadingFact
from tracelog.strokes.manual_reading import Expected, Later, doubt_about
from tracelog.strokes.models import Reading
from tracelog.strokes.question_rules import Expectation
from tracelog.strokes.wording import expected_figures
from tracelog.web.numbers import for_field

# 1-1 makes 12,000 an hour, read every six hours; the tests happen two hours after the last time.
HOURS = 240
LAST = HOURS * 12_000
NOW = hour(HOURS + 2)


@pytest.fixture
def operator(visit: Visit, cast: Cast, own_engine: Engine, clock: Clock) -> Visit:
    """The operator in front of 1-1."""
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session, HOURS)
    clock.instant = NOW
    cast.sign_in(visit, "operator")
    visit.get("/machines/1/bodymaker/1")
    return visit


def send(visit: Visit, strokes: str, **more: str) -> TestResponse:
    return visit.post("/counters/reading", **{"machine": "1-1", "strokes": strokes, **more})


def words(markup: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", markup)).split())


def kept(engine: Engine) -> list[tuple[str, int]]:
    """What was read since the last time: plant time and figure."""
    with reading(engine) as session:
        asked = select(Reading.read_at, Reading.strokes).where(Reading.read_at > hour(HOURS))
        rows = session.execute(asked.order_by(Reading.read_at))
        return [(for_field(at, ZONE), strokes) for at, strokes in rows]


def test_the_form_on_the_machines_page_keeps_what_is_read(
    operator: Visit, own_engine: Engine
) -> None:
    page = operator.get("/machines/1/bodymaker/1").text
    assert 'inputmode="numeric"' in page
    (at,) = re.findall(r'name="read_at" type="datetime-local" value="([^"]+)"', page)
    assert at == "2026-02-12T08:00"
    done = send(operator, "2,904,000", read_at=at)
    assert (done.status_code, done.location) == (303, "/machines/1/bodymaker/1")
    page = words(operator.get("/machines/1/bodymaker/1").text)
    assert "Kept: 1-1 showed 2,904,000." in page
    assert "Counter last read 2026-02-12 08:00, 2,904,000" in page
    assert kept(own_engine) == [("2026-02-12T08:00", 2_904_000)]
    with reading(own_engine) as session:
        newest = select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
        record = session.execute(newest).scalar_one()
        assert (record.action, record.actor) == ("record reading", "olga")
    # Sent twice with an impatient glove it is there once.
    assert send(operator, "2904000", read_at=at).status_code == 303
    assert "It was on record already" in operator.get("/machines/1/bodymaker/1").text


def test_an_improbable_figure_is_asked_about_and_kept_once_it_is_confirmed(
    operator: Visit, own_engine: Engine
) -> None:
    asked = send(operator, "2940000")
    assert asked.status_code == 422
    assert (
        "Not kept yet: The counter showed 2,880,000 at 2026-02-12 06:00, 2 h before; at its usual"
        " pace it should show about 2,880,000 to 2,910,000. Read it again; if it really shows"
        " 2,940,000, confirm."
    ) in words(asked.text)
    assert kept(own_engine) == []
    assert re.search(r'name="confirmed" value="2940000"', asked.text)
    assert send(operator, "2940000", confirmed="2940000").status_code == 303
    assert [strokes for _at, strokes in kept(own_engine)] == [2_940_000]


def test_a_confirmation_is_of_one_figure_only(operator: Visit, own_engine: Engine) -> None:
    again = send(operator, "2950000", confirmed="2940000")
    assert again.status_code == 422
    assert "if it really shows 2,950,000, confirm" in words(again.text)
    assert send(operator, "2904000", confirmed="2940000").status_code == 303
    assert len(kept(own_engine)) == 1


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"strokes": "100000000"}, "is above 99999999, the last figure of the counter of 1-1"),
        ({"strokes": "2904000", "read_at": "2026-02-12T08:11"}, "lies ahead of the present"),
        ({"strokes": "1", "read_at": "2026-02-13T08:11"}, "lies ahead of the present"),
        ({"strokes": "dozens"}, "'dozens' is not a whole number"),
        ({"strokes": ""}, "is missing; a value is needed"),
        ({"strokes": "2904000", "read_at": "noon"}, "is not an instant"),
        ({"strokes": "2904000", "machine": ""}, "is missing; choose a bodymaker"),
        ({"strokes": "2904000", "machine": "7-7"}, "there is no line 7"),
        ({"strokes": "7", "read_at": "2026-02-12T06:00"}, "contradicts 2880000"),
    ],
)
def test_what_cannot_be_is_refused(
    operator: Visit, own_engine: Engine, fields: dict[str, str], told: str
) -> None:
    confirmed = {"confirmed": fields["strokes"]}
    refused = operator.post("/counters/reading", **{"machine": "1-1", **confirmed, **fields})
    assert refused.status_code in (400, 409, 422)
    assert told in words(refused.text)
    assert "really shows" not in refused.text
    assert kept(own_engine) == []


def test_who_may_not_read_counters_has_no_form(operator: Visit, cast: Cast) -> None:
    cast.sign_in(operator, "quality")
    assert "Read the counter" not in operator.get("/machines/1/bodymaker/1").text
    assert operator.get("/counters/reading").status_code == 403
    assert send(operator, "2904000").status_code == 403


def test_the_form_has_a_page_of_its_own(operator: Visit) -> None:
    chosen = operator.get("/counters/reading").text
    assert '<option value="2-1">' in chosen
    page = words(operator.get("/counters/reading?machine=1-1").text)
    assert "Last read 2026-02-12 06:00, 2,880,000" in page
    assert "Expected now about 2,880,000 to 2,910,000" in page
    assert "Expected now not known" in words(operator.get("/counters/reading?machine=1-3").text)


def test_the_form_lies_open_where_the_counter_says_nothing(
    operator: Visit, cast: Cast, clock: Clock
) -> None:
    assert '<details class="reading-more">' in operator.get("/machines/1/bodymaker/1").text
    clock.forward(timedelta(hours=17))
    cast.sign_in(operator, "operator")
    assert '<details class="reading-more" open>' in operator.get("/machines/1/bodymaker/1").text


def test_a_first_figure_has_nothing_to_be_unlike(operator: Visit) -> None:
    assert send(operator, "77", machine="1-3").status_code == 303


def test_a_late_figure_must_go_with_what_the_counter_showed_later(own_engine: Engine) -> None:
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session, HOURS)
        machine = directory(session).machine_named("1-1")
        at = hour(HOURS - 3)
        assert doubt_about(session, machine, at, LAST - 36_000) is None
        too_high = doubt_about(session, machine, hour(HOURS - 0.5), LAST + 9)
        assert isinstance(too_high, Later)
        assert (too_high.read_at, too_high.strokes) == (hour(HOURS), LAST)
        too_low = doubt_about(session, machine, at, LAST - 90_000)
        assert isinstance(too_low, Expected)
        assert (too_low.since_at, too_low.since_strokes) == (hour(HOURS - 6), LAST - 72_000)
        before_all = doubt_about(session, machine, hour(-1), 500)
        assert isinstance(before_all, Later)
        assert doubt_about(session, machine, hour(-1), 0) is None


def test_after_a_counter_event_its_figure_is_what_to_go_by(own_engine: Engine) -> None:
    event = {"line": 1, "bodymaker": 1, "at": hour(HOURS + 1), "event": "reset"}
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session, HOURS)
        fact = CounterEventFact.model_validate({**event, "strokes_after": 0})
        plant.kept(record_counter_events(session, [fact], plant.ACTOR, NOW))
        machine = directory(session).machine_named("1-1")
        assert doubt_about(session, machine, NOW, 12_000) is None
        doubt = doubt_about(session, machine, NOW, LAST + 24_000)
        assert isinstance(doubt, Expected)
        assert (doubt.since_at, doubt.since_strokes) == (hour(HOURS + 1), 0)


def test_a_roll_over_that_is_due_is_nothing_special(own_engine: Engine) -> None:
    with writing(own_engine) as session:
        plant.write_plant(session)
        first = 10**8 - 101 * 12_000
        facts = [
            ReadingFact(line=1, bodymaker=1, read_at=hour(n), strokes=first + n * 12_000)
            for n in range(101)
        ]
        plant.kept(record_readings(session, facts, plant.ACTOR, NOW))
        machine = directory(session).machine_named("1-1")
        for strokes in (99_999_999, 0, 11_500):
            assert doubt_about(session, machine, hour(102), strokes) is None
        doubt = doubt_about(session, machine, hour(102), 40_000)
        assert isinstance(doubt, Expected)
        assert doubt.rolled_to == 18_000
        assert expected_figures(doubt) == (
            "about 99,988,000 to 99,999,999 or, having rolled over there to 0, up to 18,000"
        )


def test_a_counter_that_must_have_rolled_over_is_expected_beyond() -> None:
    at = hour(0)
    expected = Expected(at, 990, Expectation(20, 25, 30), 999)
    assert expected_figures(expected) == "about 10 to 20, having rolled over at 999"
    assert [n for n in range(1_000) if expected.allows(n)] == list(range(10, 21))
