"""The Trace page: both questions, by form and by link, and what is wrong at its field."""

import re
from datetime import timedelta
from html import unescape

import pytest
from sqlalchemy import Engine

from tests.support.clock import Clock
from tests.support.site import Cast, Visit
from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tracelog.db import writing
from tracelog.trace import views


@pytest.fixture
def somebody(visit: Visit, cast: Cast, own_engine: Engine) -> Visit:
    """A visitor signed in on the plant of two lines."""
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session)
        plant.write_levels(session)
        plant.write_tools(session, {"A": None})
        plant.fit(session, "A", "1-1", "ring-3", 0, 100, "moved")
        plant.fit(session, "A", "2-1", "ring-3", 120)
        plant.run_coil(session, "K-1", 1, 10, 20)
        plant.fill_pallet(session, "W-1", 1, 12, 12.5)
        plant.log(session, 11, "1-1")
    cast.sign_in(visit, "operator")
    return visit


def words(markup: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", markup)).split())


def wrong(markup: str) -> dict[str, str]:
    found = re.findall(r'class="wrong" id="wrong-([\w-]+)">([^<]*)<', markup)
    return {field: unescape(sentence) for field, sentence in found}


def test_the_page_asks_both_questions(somebody: Visit) -> None:
    answer = somebody.get("/trace")
    assert answer.status_code == 200
    assert "Who made this can?" in answer.text
    assert "What did it make?" in answer.text
    assert "Dossier of can" not in answer.text


def test_a_dossier_shows_machine_tools_metal_and_pallets(somebody: Visit) -> None:
    # Plant time: eleven hours after 06:00.
    text = words(somebody.get("/trace?code=01/01&at=2026-02-02T17:00").text)
    for part in (
        "Dossier of can 1-1",
        "Made 2026-02-02 17:00",
        "Crew, shift A, day 2026-02-02",
        "Strokes of the machine until then 132,000",
        "ring-3 A 2026-02-02 06:00 132,000",
        "K-1 3104",
        "W-1 40 % 2026-02-02 18:00 2026-02-02 18:30 8,169",
        "Entries of this machine around that time",
        "Hold and release belong to the plant's quality authority",
    ):
        assert part in text, part


def test_a_candidate_leads_to_the_same_question_with_its_code(
    somebody: Visit, own_engine: Engine
) -> None:
    with writing(own_engine) as session:
        plant.bear_code(session, "2-2", "1-2", 0, None)
    page = somebody.get("/trace?code=?-?&pallet=W-1").text
    assert "/trace?code=2-2&amp;pallet=W-1" in page
    assert "Dossier of can 2-2" in words(somebody.get("/trace?code=2-2&pallet=W-1").text)
    page = somebody.get("/trace?code=1-?&pallet=W-1").text
    links = [unescape(one) for one in re.findall(r'href="(/trace\?code=[^"]+)"', page)]
    assert links == [f"/trace?code={code}&pallet=W-1" for code in ("1-2", "1-1", "1-3")]
    assert "Dossier of can 1-2" in words(somebody.get(links[0]).text)


def test_a_link_with_an_offset_fills_the_form_in_plant_time(somebody: Visit) -> None:
    page = somebody.get("/trace?code=1-1&at=2026-02-02T16:00:00Z").text
    assert 'value="2026-02-02T17:00"' in page


def test_candidates_without_strokes_say_so(somebody: Visit) -> None:
    text = words(somebody.get("/trace?code=1-?").text)
    assert "No strokes are on record for that time" in text
    assert "33 %" in text


def test_a_code_that_nobody_bears_is_told(somebody: Visit) -> None:
    answer = somebody.get("/trace?code=1-9")
    assert answer.status_code == 200
    assert "No machine of this plant bears that code" in answer.text


@pytest.mark.parametrize(
    ("address", "made"),
    [
        ("/trace?tool=A", "What A made 8,400,000 strokes in 2 stays"),
        ("/trace?kind=tool&name=A&to=2026-02-03T06:00", "What A made 288,000 strokes in 1 stays"),
        ("/trace?kind=coil&name=K-1", "What K-1 made 360,000 strokes in 3 stays"),
        ("/trace?machine=1-1", "What 1-1 made"),
    ],
)
def test_what_something_made(somebody: Visit, address: str, made: str) -> None:
    answer = somebody.get(address)
    assert answer.status_code == 200
    assert made in words(answer.text)


def test_lists_that_were_cut_say_so(
    somebody: Visit, own_engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(views, "MOST_SHOWN", 1)
    whole = words(somebody.get("/trace?kind=coil&name=K-1").text)
    assert "are shown" not in whole
    with writing(own_engine) as session:
        plant.log(session, 13, "1-1")
        plant.fill_pallet(session, "W-2", 1, 14, 15)
    text = words(somebody.get("/trace?kind=coil&name=K-1").text)
    assert "Only the newest 1 entries are shown, of 2" in text
    assert "Only the first 1 pallets are shown, of 2" in text


@pytest.mark.parametrize(
    ("asked", "status", "field", "sentence"),
    [
        ("code=17", 400, "code", "'17' is not a dome code"),
        ("at=2026-02-02T17:00", 400, "code", "is missing; write a code"),
        ("code=1-1&at=noon", 400, "at", "'noon' is not an instant"),
        ("code=1-1&at=2026-03-29T02:30", 400, "at", "does not exist in Europe/Madrid"),
        ("code=1-1&at=2026-10-25T02:30", 400, "at", "occurs twice in Europe/Madrid"),
        ("code=1-1&at=2026-03-04T10:31", 400, "at", "lies ahead"),
        ("code=1-1&pallet=W-9", 400, "pallet", "there is no pallet 'W-9' on record"),
        ("code=1-1&coil=K-9", 400, "coil", "there is no run of coil 'K-9'"),
        ("code=1-1&pallet=W-1&at=2026-02-03T17:00", 400, "at", "do not go together"),
        ("kind=shift&name=A", 400, "kind", "choose a tool, a coil, a machine, a crew or a change"),
        ("kind=tool&name=B", 400, "name", "tool 'B' was not in use in that time"),
        ("kind=coil&name=B", 400, "name", "coil 'B' was not in use in that time"),
        ("kind=machine&name=9-9", 400, "name", "there is no line 9"),
        ("kind=tool&name=A&from=x", 400, "from", "'x' is not an instant"),
        ("kind=tool&name=A&to=x", 400, "to", "'x' is not an instant"),
        (
            "kind=tool&name=A&from=2026-02-04T06:00&to=2026-02-03T06:00",
            400,
            "from",
            "is not before the end",
        ),
    ],
)
def test_a_bad_field_gets_one_sentence(
    somebody: Visit, asked: str, status: int, field: str, sentence: str
) -> None:
    answer = somebody.get(f"/trace?{asked}")
    assert answer.status_code == status
    found = wrong(answer.text)
    assert list(found) == [field]
    assert sentence in found[field]
    assert "Dossier of can" not in answer.text
    assert f'href="#field-{field}"' in answer.text


def test_the_page_asks_a_fixed_number_of_statements(
    somebody: Visit, own_engine: Engine, clock: Clock
) -> None:
    def counted() -> int:
        statements = Statements(own_engine)
        with statements.counted() as sent:
            assert somebody.get("/trace?code=1-1&at=2026-02-02T17:00").status_code == 200
        statements.close()
        return len(sent)

    somebody.get("/trace")
    before = counted()
    with writing(own_engine) as session:
        for number in range(5):
            plant.log(session, 11 + number / 10, "1-1")
            plant.fill_pallet(session, f"X-{number}", 1, 12 + number / 10, 13)
            plant.change(session, 1, 1, number, "coolant")
    clock.forward(timedelta(seconds=1))
    assert counted() == before <= 40
