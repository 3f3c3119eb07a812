"""Labels of machines and tools: laid out on sheets, with addresses that lead where they say."""

import re
from html import unescape
from urllib.parse import urlsplit

import pytest
from flask import Flask
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine

from tests.defects.small_plant import ACTOR, WRITTEN_AT, code_fact, hour, write_code, write_plant
from tests.support.markup import seen, summary
from tests.support.site import Cast, Visit
from tracelog.db import writing
from tracelog.floor.labels.sheets import GRIDS, Grid, Label, LabelSize, sheets
from tracelog.plant.actions import record_machines
from tracelog.plant.facts import MachineFact, ToolFact, ToolFitFact
from tracelog.plant.tool_actions import record_tool_fits, record_tools
from tracelog.web.qr_codes import qr_code


@pytest.fixture
def floor(visit: Visit, cast: Cast, own_engine: Engine) -> Visit:
    """A planner on the hand-made plant, with a necker, a palletiser and three tools."""
    with writing(own_engine) as session:
        write_plant(session)
        others = [
            MachineFact(line=1, station=station, number=1) for station in ("necker", "palletiser")
        ]
        record_machines(session, others, ACTOR, WRITTEN_AT)
        kinds = {"R3-0412": "ring-3", "R3 0413/b": "ring-3", "P-7": "punch"}
        tools = [ToolFact(serial=serial, tool_type=kind) for serial, kind in kinds.items()]
        record_tools(session, tools, ACTOR, WRITTEN_AT)
        fits = [
            ToolFitFact(serial=serial, line=line, bodymaker=1, position=position, fitted_at=hour(1))
            for serial, line, position in (("R3-0412", 1, "ring-3"), ("P-7", 2, "punch"))
        ]
        record_tool_fits(session, fits, ACTOR, WRITTEN_AT)
    cast.sign_in(visit, "planner")
    return visit


def titles(page: str) -> list[str]:
    found = re.findall(r'class="label-title[^"]*"><bdi>([^<]*)<', page)
    return [unescape(one) for one in found]


def addresses(page: str) -> list[str]:
    return [unescape(one) for one in re.findall(r'class="label-address">([^<]*)<', page)]


@pytest.mark.parametrize(
    ("query", "labels"),
    [
        ("", ["1-1", "1-2", "1-12", "2-1"]),
        ("?kind=machines", ["1-1", "1-2", "1-12", "1 necker 1", "1 palletiser 1", "2-1"]),
        ("?kind=machines&station=bodymaker&line=1", ["1-1", "1-2", "1-12"]),
        ("?kind=machines&station=bodymaker&line=1&number=12", ["1-12"]),
        ("?kind=machines&station=necker", ["1 necker 1"]),
        ("?kind=tools", ["P-7", "R3 0413/b", "R3-0412"]),
        ("?kind=tools&tool_type=ring-3", ["R3 0413/b", "R3-0412"]),
        ("?kind=tools&position=ring-3", ["R3-0412"]),
        ("?kind=tools&line=2", ["P-7"]),
        ("?kind=tools&serial=R3+0413/b", ["R3 0413/b"]),
    ],
)
def test_each_chosen_machine_or_tool_has_a_label(
    floor: Visit, query: str, labels: list[str]
) -> None:
    answer = floor.get(f"/labels{query}")
    assert answer.status_code == 200
    assert titles(answer.text) == labels


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("kind=cans", "choose machines or tools"),
        ("line=9", "there is no line 9"),
        ("line=one", "'one' is not a whole number"),
        ("number=0", "is out of range"),
        ("size=huge", "'huge' is no size; choose large, medium, small"),
        ("used=24", "is out of range"),
        ("opens=door", "choose the page or the Log"),
        ("kind=tools&line=2&position=ring-3", "nothing of this plant is like that"),
        ("kind=machines&station=washer", "nothing of this plant is like that"),
    ],
)
def test_what_cannot_be_printed_is_told(floor: Visit, query: str, words: str) -> None:
    answer = floor.get(f"/labels?{query}")
    assert answer.status_code == 400
    assert words in summary(answer)
    assert titles(answer.text) == []


def test_the_code_of_a_label_holds_its_address_in_full(floor: Visit) -> None:
    page = floor.get("/labels?kind=machines&line=2&station=bodymaker&opens=log").text
    assert addresses(page) == ["localhost/m/2-1?log"]
    assert str(qr_code("http://localhost/m/2-1?log")) in page
    assert str(qr_code("http://localhost/m/2-1")) not in page


def test_addresses_begin_as_the_plant_has_set_it(
    floor: Visit, application: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = application.extensions["tracelog"].settings
    monkeypatch.setitem(settings.__dict__, "base_url", "https://log.plant.example/tracelog/")
    page = floor.get("/labels?kind=tools&serial=P-7").text
    assert addresses(page) == ["log.plant.example/tracelog/t/P-7"]
    assert str(qr_code("https://log.plant.example/tracelog/t/P-7")) in page


def test_every_address_leads_to_what_it_names(floor: Visit) -> None:
    for query in ("kind=machines", "kind=tools"):
        page = floor.get(f"/labels?{query}").text
        for title, address in zip(titles(page), addresses(page), strict=True):
            found = floor.client.get(urlsplit(f"http://{address}").path, follow_redirects=True)
            assert found.status_code == 200, address
            assert title in seen(found.text)[:60]


def test_a_machine_label_leads_to_the_log_where_that_is_asked(floor: Visit) -> None:
    assert floor.get("/m/1-12").location == "/machines/1/bodymaker/12"
    assert floor.get("/m/1-12?log").location == "/log?line=1&number=12"
    assert floor.get("/m/1-necker-1?log").location == "/log?found_at=necker"
    page = floor.get("/log?line=1&number=12").text
    assert 'name="number" value="12" checked' in page


def test_the_log_is_filled_in_with_the_code_that_cans_bear_now(
    floor: Visit, own_engine: Engine
) -> None:
    with writing(own_engine) as session:
        write_code(session, code_fact("1-19", (1, 2), 1))
    assert floor.get("/m/1-2?log").location == "/log?line=1&number=19"


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("/m/1-77", "Line 1 has no bodymaker 77"),
        ("/m/9-1", "There is no line 9"),
        ("/m/seven", "names no machine; a label says /m/3-7"),
        ("/m/1-washer-1", "Line 1 has no washer 1"),
        ("/t/R9-0001", "no tool with the serial"),
    ],
)
def test_a_label_of_something_that_is_not_there_is_told(
    floor: Visit, address: str, words: str
) -> None:
    answer = floor.get(address)
    assert answer.status_code == 404
    assert words.lower() in seen(answer.text).lower()


def test_who_has_not_signed_in_comes_back_to_the_label_afterwards(application: Flask) -> None:
    stranger = Visit(application.test_client())
    for path in ("/m/1-12?log", "/t/P-7", "/labels"):
        answer = stranger.get(path)
        assert answer.status_code == 302
        assert answer.location.startswith("/sign-in?next=")


def test_hostile_serials_stay_text(floor: Visit, own_engine: Engine) -> None:
    serial = '<img src=x onerror="alert(1)">'
    with writing(own_engine) as session:
        record_tools(session, [ToolFact(serial=serial)], ACTOR, WRITTEN_AT)
    page = floor.get("/labels?kind=tools").text
    assert "<img src=x" not in page
    assert serial in titles(page)


def test_machine_tool_and_tools_pages_lead_to_their_labels(floor: Visit) -> None:
    for page, title in (
        ("/machines/1/bodymaker/12", ["1-12"]),
        ("/machines/1/necker/1", ["1 necker 1"]),
        ("/service/tools/P-7", ["P-7"]),
    ):
        (link,) = re.findall(r'href="(/labels\?[^"]+)"', floor.get(page).text)
        assert titles(floor.get(unescape(link)).text) == title
    assert 'href="/labels?kind=tools"' in floor.get("/service/tools").text


# --- on paper


@pytest.mark.parametrize("size", LabelSize)
def test_a_grid_fits_on_a4_within_its_margins(size: LabelSize) -> None:
    grid = GRIDS[size]
    assert grid.columns * grid.width_mm <= 210 - 2 * 8
    assert grid.rows * grid.height_mm <= 297 - 2 * 8


@given(st.integers(1, 100), st.integers(1, 5), st.integers(1, 12), st.data())
def test_every_label_is_printed_once_and_used_places_stay_empty(
    number: int, columns: int, rows: int, data: st.DataObject
) -> None:
    grid = Grid(columns, rows, 1, 1)
    used = data.draw(st.integers(0, grid.places - 1))
    labels = [Label(f"http://x/{one}", str(one), "") for one in range(number)]
    laid = sheets(labels, grid, used)
    places = [place for sheet in laid for place in sheet]
    assert places == [None] * used + labels
    assert all(len(sheet) == grid.places for sheet in laid[:-1])
    assert 0 < len(laid[-1]) <= grid.places
