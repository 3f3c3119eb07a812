"""The pages of the floor and of a machine."""

import re
from datetime import timedelta
from html import unescape
from itertools import pairwise

import pytest
from sqlalchemy import Engine

from tests.support.clock import Clock
from tests.support.plants import ENDS_AT
from tests.support.site import Cast, Visit
from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.db import writing
from tracelog.plant.actions import record_lines, record_plant
from tracelog.plant.facts import LineFact, PlantFact


@pytest.fixture
def operator(visit: Visit, cast: Cast, own_engine: Engine) -> Visit:
    """The operator on the plant of two lines."""
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session)
        plant.write_levels(session)
        plant.serve(session, "1-1", "major", HOURS - 60)
        plant.log(session, HOURS - 30, "1-1", note="<b>bent</b>")
    cast.sign_in(visit, "operator")
    return visit


def words(markup: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", markup)).split())


def test_each_machine_is_a_can_that_leads_to_its_page(operator: Visit) -> None:
    page = operator.get("/").text
    links = re.findall(r'class="can-place" href="([^"]+)"', page)
    assert links == [f"/machines/{line}/bodymaker/{number}" for line, number in plant.MACHINES]
    text = words(page)
    assert "1-2 : minor overdue; major overdue" in text
    assert "1-3 : counter silent" in text
    assert text.count("stopped") >= 2


def test_an_empty_plant_says_what_to_do(visit: Visit, cast: Cast, own_engine: Engine) -> None:
    cast.sign_in(visit, "operator")
    assert visit.get("/").status_code == 409
    with writing(own_engine) as session:
        fact = PlantFact.read({"name": "Alder", "time_zone": plant.ZONE.key}, plant.ZONE)
        plant.kept(record_plant(session, [fact], plant.ACTOR, plant.START))
    assert "No lines yet" in visit.get("/").text
    with writing(own_engine) as session:
        plant.kept(record_lines(session, [LineFact(line=1)], plant.ACTOR, plant.START))
    assert "No bodymakers on this line yet" in visit.get("/").text


def test_a_machine_shows_its_state_and_its_time_axis(operator: Visit) -> None:
    page = operator.get("/machines/1/bodymaker/1").text
    text = words(page)
    for part in (
        "Machine 1-1",
        "Strokes counted 8,640,000",
        "Counter last read 2026-03-04 06:00, 8,640,000",
        "minor 720,000 1.00 M 72 %",
        "Entries in the period",
        "<b>bent</b>",
    ):
        assert part in text or part in unescape(page), part
    assert "<b>bent</b>" not in page
    # Twenty-eight whole days, and a part of the day at either end.
    assert page.count('class="figure-bar"') == 29
    assert page.count("is-service") == 1
    assert "Needs attention" not in text


def test_a_machine_that_needs_somebody_says_why(operator: Visit, own_engine: Engine) -> None:
    text = words(operator.get("/machines/1/bodymaker/2").text)
    assert "Needs attention: minor overdue; major overdue." in text
    text = words(operator.get("/machines/1/bodymaker/3").text)
    assert "counter silent. Its counter was never read." in text
    with writing(own_engine) as session:
        plant.jump(session, 1, 1, HOURS + 3, 5)
    text = words(operator.get("/machines/1/bodymaker/1").text)
    assert "The counter went from 8,640,000 to 5" in text
    assert "nobody has said why" in text


@pytest.mark.parametrize(("days", "bars"), [(1, 21), (7, 165), (28, 29), (91, 31), (365, 31)])
def test_the_period_is_chosen_in_the_address(operator: Visit, days: int, bars: int) -> None:
    page = operator.get(f"/machines/1/bodymaker/1?days={days}").text
    assert page.count('class="figure-bar"') == bars
    assert f'href="?days={days}" aria-current="true"' in page


@pytest.mark.parametrize("days", ["0", "2", "-1", "x", "", "²", "99999999999999999999"])
def test_another_period_is_refused(operator: Visit, days: str) -> None:
    answer = operator.get(f"/machines/1/bodymaker/1?days={days}")
    assert answer.status_code == 400
    assert "is not a period; choose 1, 7, 28, 91 or 365 days" in unescape(answer.text)


@pytest.mark.parametrize(
    "place", ["1/bodymaker/9", "9/bodymaker/1", "1/oven/1", "1/bodymaker/x", "2/washer/1"]
)
def test_a_machine_that_is_not_there_is_not_found(operator: Visit, place: str) -> None:
    assert operator.get(f"/machines/{place}").status_code == 404


def test_a_machine_of_another_station_has_its_page_too(operator: Visit) -> None:
    page = operator.get("/machines/1/washer/1").text
    assert "Machine 1 washer 1" in page
    assert ">Log a can<" not in page
    assert "clean" in page
    assert "No entries in the period" in page


def test_recording_work_is_offered_to_those_who_may(operator: Visit, cast: Cast) -> None:
    address = "/machines/1/bodymaker/1"
    assert "Record work" not in operator.get(address).text
    cast.sign_in(operator, "planner")
    assert "/service/record?machine=1-1" in operator.get(address).text


@pytest.mark.small_plant
@pytest.mark.parametrize("path", ["/", "/machines/1/bodymaker/2", "/machines/1/bodymaker/2?days=7"])
def test_the_simulated_plant_is_shown_in_a_fixed_number_of_statements(
    visit: Visit, cast: Cast, own_engine: Engine, clock: Clock, path: str
) -> None:
    cast.sign_in(visit, "supervisor")
    sent = []
    for at in (ENDS_AT, ENDS_AT + timedelta(hours=2)):
        clock.instant = at
        visit.get(path)
        # In another minute nothing is shown again that was made for this one.
        clock.forward(timedelta(minutes=1))
        statements = Statements(own_engine)
        with statements.counted() as texts:
            assert visit.get(path).status_code == 200
        statements.close()
        sent.append(len(texts))
    assert max(sent) <= 42


def test_a_day_of_the_clock_change_is_one_bar(
    visit: Visit, cast: Cast, own_engine: Engine, clock: Clock
) -> None:
    """On 29 March a day has 23 hours; its bar ends where the next begins."""
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session, 60 * 24)
    clock.instant = hour(60 * 24)
    cast.sign_in(visit, "operator")
    page = visit.get("/machines/1/bodymaker/1?days=28").text
    bars = [
        (float(x), float(width), unescape(title))
        for x, width, title in re.findall(
            r'class="figure-bar" x="([\d.]+)" y="[\d.]+" width="([\d.]+)"[^>]*><title>([^<]+)', page
        )
    ]
    [short] = [width for _x, width, title in bars if title.startswith("2026-03-29")]
    [usual] = [width for _x, width, title in bars if title.startswith("2026-03-27")]
    assert short < usual
    for (x, width, _title), (following, _width, _other) in pairwise(bars):
        assert x + width <= following + 0.01
