"""The navigation leads to the rooms that there are, and shows where one is."""

import re

import pytest
from flask import Flask

from tests.support.site import Cast, Visit
from tracelog.web.navigation import BAR_PLACES, Place, beyond_the_bar

ROOMS = ["/", "/log", "/trace", "/service", "/trends"]


def rail_of(page: str) -> str:
    return page[page.index('<nav class="rail"') : page.index("</nav>")]


@pytest.mark.small_plant
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
@pytest.mark.parametrize("path", ROOMS)
def test_the_rail_shows_where_one_is(visit: Visit, cast: Cast, path: str) -> None:
    cast.sign_in(visit, "operator")
    rail = rail_of(visit.get(path).text)
    assert re.findall(r'href="([^"]+)"', rail)[: len(ROOMS)] == ROOMS
    assert set(re.findall(r'href="([^"]+)" aria-current="page"', rail)) == {path}


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_elsewhere_no_room_is_here_and_strangers_see_none(visit: Visit, cast: Cast) -> None:
    assert 'class="rail"' not in visit.get("/sign-in").text
    cast.sign_in(visit, "operator")
    assert "aria-current" not in rail_of(visit.get("/me").text)


@pytest.mark.parametrize("count", [0, 4, BAR_PLACES, BAR_PLACES + 1, 9])
def test_a_phones_bar_leads_to_every_room_in_five_places(count: int) -> None:
    rooms = [Place(f"/{number}", "Room", "more", is_here=False) for number in range(count)]
    more = beyond_the_bar(rooms)
    on_bar = [room for room in rooms if room not in more]
    assert on_bar + more == rooms
    assert len(on_bar) + bool(more) <= BAR_PLACES


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_a_room_without_a_page_is_left_out(application: Flask, visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "operator")
    known = {rule.rule for rule in application.url_map.iter_rules()}
    linked = set(re.findall(r'href="(/[^"]*)"', rail_of(visit.get("/me").text)))
    assert linked <= known
