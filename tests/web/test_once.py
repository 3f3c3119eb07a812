"""What comes twice where one is meant is refused, and no page of ours sends such a thing."""

from urllib.parse import parse_qsl, urlsplit

import pytest
from flask import Flask
from sqlalchemy import Engine
from werkzeug.datastructures import MultiDict

from tests.support.crawl import look_at_everything
from tests.support.markup import forms_on
from tests.support.site import Cast, Visit
from tracelog.db import reading
from tracelog.people import queries
from tracelog.web.once import SEVERAL, may_come_twice

on_sqlite = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


@pytest.mark.small_plant
def test_a_field_that_comes_twice_is_told_and_nothing_kept(
    visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    ada = cast.sign_in(visit, "administrator")
    visit.get("/accounts")
    fields = [("name", "nils"), ("role", "operator"), ("role", "administrator")]
    fields += [("secret", "heron under seven clouds"), ("csrf_token", visit._proof)]
    answer = visit.client.post("/accounts", data=MultiDict(fields))
    assert answer.status_code == 400
    assert "is given 2 times; give it once" in answer.text
    with reading(own_engine) as session:
        assert [one.name for one in queries.accounts(session)] == [ada.name]
    twice = MultiDict([("csrf_token", visit._proof), ("csrf_token", "another")])
    assert visit.client.post("/me/sessions/end", data=twice).status_code == 400
    assert visit.get("/me").status_code == 200


@pytest.mark.small_plant
@on_sqlite
@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/log/entries?machine=1-1&machine=1-2&defect=wall-tear-off&defect=wall-split", 200),
        ("/log/entries?pallet=1&pallet=2", 400),
        ("/trends?defect=wall-split&defect=wall-tear-off", 200),
        ("/trends?machine=1-1&machine=1-2", 400),
        ("/trace?pallet=1&pallet=2", 400),
        ("/sign-in?next=/me&next=/log", 400),
        ("/api/v1/rates?defect=wall-split&defect=wall-tear-off", 200),
        ("/api/v1/rates?line=1&line=2", 400),
        ("/api/v1/defects?limit=1&limit=2", 400),
    ],
)
def test_a_parameter_that_comes_twice_is_told_but_for_choices_of_several(
    visit: Visit, cast: Cast, address: str, status: int
) -> None:
    cast.sign_in(visit, "quality")
    answer = visit.get(address)
    assert (answer.status_code, "is given 2 times" in answer.text) == (status, status == 400)


@pytest.mark.small_plant
@on_sqlite
@pytest.mark.parametrize("role", ["supervisor", "administrator"])
def test_no_page_of_ours_sends_or_links_to_what_would_be_refused(
    application: Flask, visit: Visit, cast: Cast, role: str
) -> None:
    cast.sign_in(visit, role)
    urls = application.url_map.bind("localhost")
    wrong, forms = [], 0
    for seen in look_at_everything(application, visit, each=2):
        names = [name for name, _value in parse_qsl(urlsplit(seen.address).query)]
        allowed = may_come_twice(seen.endpoint or "")
        wrong += (
            [seen.address]
            if len({*names} - allowed) < len([n for n in names if n not in allowed])
            else []
        )
        if seen.answer.mimetype != "text/html":
            continue
        for action, method, names in forms_on(seen.answer.text):
            forms += 1
            path = urlsplit(action or seen.address).path
            endpoint = str(urls.match(path, method.upper())[0])
            single = [name for name in names if name not in may_come_twice(endpoint)]
            wrong += [f"{seen.address}: {action} {single}"] if len({*single}) < len(single) else []
    assert forms > 30
    assert wrong == []


def test_the_table_names_endpoints_that_are_there(application: Flask) -> None:
    blueprints = {*application.blueprints}
    assert {one for one in SEVERAL if "." not in one} <= blueprints
    assert {one for one in SEVERAL if "." in one} <= {*application.view_functions}
