"""Linking on the page of a case: things by name, a photo, and what is taken back."""

import io
import uuid

import pytest
from flask import Flask
from PIL import Image
from sqlalchemy import Engine

from tests.cases.small_case import opened, write_history
from tests.support.clock import Clock
from tests.support.markup import form_on, seen, wrong
from tests.support.site import Cast, Visit
from tests.trends.small_log import day
from tracelog.cases.links.queries import links_of
from tracelog.cases.links.views import LINK_FIELDS
from tracelog.db import reading, writing


@pytest.fixture
def case_id(visit: Visit, cast: Cast, own_engine: Engine, clock: Clock) -> uuid.UUID:
    with writing(own_engine) as session:
        write_history(session)
        key = opened(session)
    clock.instant = day(10)
    cast.sign_in(visit, "supervisor")
    return key


def linked(engine: Engine, case_id: uuid.UUID) -> list[tuple[str, bool]]:
    with reading(engine) as session:
        return [(one.target, one.stands) for one in links_of(session, case_id)]


def test_a_thing_is_linked_once_and_taken_back(
    visit: Visit, own_engine: Engine, case_id: uuid.UUID
) -> None:
    page = f"/cases/{case_id}"
    shown = form_on(visit.get(page).text, f"{page}/links")
    assert set(shown) == set(LINK_FIELDS)
    said = shown | {"target": "machine", "name": "1-2", "note": "the same"}
    for _ in range(2):
        assert visit.post(f"{page}/links", **said).status_code == 303
    assert linked(own_engine, case_id) == [("machine", True)]
    taken = form_on(visit.get(page).text, f"{page}/unlinks")
    refused = visit.post(f"{page}/unlinks", **(taken | {"reason": ""}))
    assert (refused.status_code, linked(own_engine, case_id)) == (422, [("machine", True)])
    assert visit.post(f"{page}/unlinks", **(taken | {"reason": "another"})).status_code == 303
    assert linked(own_engine, case_id) == [("machine", False)]
    assert "Nothing is linked yet" in seen(visit.get(page).text)


@pytest.mark.parametrize(
    ("said", "field", "words"),
    [
        ({"target": "", "name": "1-2"}, "target", "choose what it is"),
        ({"target": "machine", "name": ""}, "name", "is missing"),
        ({"target": "machine", "name": "9-9"}, "name", "line 9"),
        ({"target": "hold", "name": "twelve"}, "name", "twelve"),
    ],
)
def test_what_is_wrong_is_told_at_its_field_and_stands_there_still(
    visit: Visit,
    own_engine: Engine,
    case_id: uuid.UUID,
    said: dict[str, str],
    field: str,
    words: str,
) -> None:
    page = f"/cases/{case_id}"
    shown = form_on(visit.get(page).text, f"{page}/links")
    answer = visit.post(f"{page}/links", **(shown | said))
    assert answer.status_code in {400, 422}
    told = wrong(answer)
    assert [name for name in told if name.endswith(field)] == list(told)
    assert words in " ".join(told.values())
    assert form_on(answer.text, f"{page}/links")["name"] == said["name"]
    assert linked(own_engine, case_id) == []


def test_a_photo_is_kept_and_shown(visit: Visit, own_engine: Engine, case_id: uuid.UUID) -> None:
    page = f"/cases/{case_id}"
    held = io.BytesIO()
    Image.new("RGB", (40, 30), "grey").save(held, "PNG")
    shown = form_on(visit.get(page).text, f"{page}/photos")
    for _ in range(2):
        sent = {**shown, "photo": (io.BytesIO(held.getvalue()), "ring.png")}
        assert visit.post(f"{page}/photos", **sent).status_code == 303
    assert linked(own_engine, case_id) == [("photo", True)]
    text = visit.get(page).text
    with reading(own_engine) as session:
        (one,) = links_of(session, case_id)
    assert f'<img src="/photos/{one.key}"' in text
    broken = {**shown, "id": str(uuid.uuid4()), "photo": (io.BytesIO(b"no picture"), "x.png")}
    assert visit.post(f"{page}/photos", **broken).status_code == 400
    assert linked(own_engine, case_id) == [("photo", True)]


@pytest.mark.parametrize("form", ["links", "unlinks", "photos"])
def test_who_may_not_work_on_cases_links_nothing(
    visit: Visit, cast: Cast, own_engine: Engine, case_id: uuid.UUID, form: str, application: Flask
) -> None:
    visit.get("/cases")
    visit.post("/sign-out")
    cast.sign_in(visit, "operator")
    page = f"/cases/{case_id}"
    assert f'action="{page}/{form}"' not in visit.get(page).text
    visit.get("/log")
    assert visit.post(f"{page}/{form}", target="machine", name="1-2").status_code == 403
    stranger = Visit(application.test_client())
    assert stranger.post(f"{page}/{form}").status_code == 401
    assert linked(own_engine, case_id) == []


def test_the_print_and_both_explanations_are_shown(visit: Visit, case_id: uuid.UUID) -> None:
    printed = seen(visit.get(f"/cases/{case_id}/print").text)
    assert "splits on 1-1" in printed
    assert "Cans lost, in all 10" in printed
    beside = seen(visit.get(f"/cases/{case_id}/explanation").text)
    assert "At its opening" in beside
    assert "nothing special" in beside
    for kind, media in (("csv", "text/csv"), ("xlsx", "application/vnd.openxml")):
        answer = visit.get(f"/cases.{kind}?state=all")
        assert answer.mimetype.startswith(media)
    assert "splits on 1-1" in visit.get("/cases.csv").text
    assert visit.get("/cases.pdf").status_code == 404
    assert visit.get("/cases?state=gone").status_code == 400
