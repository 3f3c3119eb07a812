"""In which language a page answers, and who chooses it."""

import json

import pytest
from flask import Flask
from sqlalchemy import Engine, select

from tests.support.site import Cast, Visit
from tracelog.audit import AuditRecord
from tracelog.db import reading
from tracelog.people.models import Account


def tag_of(visit: Visit, path: str = "/sign-in") -> str:
    return visit.get(path).text.partition('<html lang="')[2].partition('"')[0]


@pytest.mark.parametrize(
    ("asked", "tag"),
    [
        ("es-MX,es;q=0.9,en;q=0.5", "es"),
        ("pt", "pt-BR"),
        ("fr,de;q=0.8", "en"),
        ("en-GB,es;q=0.9", "en"),
        ("", "en"),
    ],
)
def test_a_stranger_is_answered_in_what_the_browser_asks_for(
    application: Flask, asked: str, tag: str
) -> None:
    answer = application.test_client().get("/sign-in", headers={"Accept-Language": asked})
    assert f'<html lang="{tag}"' in answer.text
    assert answer.headers["Content-Language"] == tag
    assert "Accept-Language" in answer.vary


def test_a_shared_tablet_keeps_what_was_chosen_before_signing_in(visit: Visit) -> None:
    visit.get("/sign-in")
    assert visit.post("/language", language="pt_BR", next="/sign-in").status_code == 303
    assert tag_of(visit) == "pt-BR"


def test_a_person_keeps_a_language_whatever_the_browser_has(
    visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    person = cast.sign_in(visit, "supervisor")
    visit.get("/me")
    visit.post("/language", language="es", next="/me")
    assert tag_of(visit, "/me") == "es"
    with reading(own_engine) as session:
        kept = session.execute(select(Account.language).where(Account.name == person.name))
        assert kept.scalar_one() == "es"
        noted = session.execute(select(AuditRecord).where(AuditRecord.action == "choose language"))
        record = noted.scalar_one()
        assert record.subject == person.name
        assert record.after is not None
        assert json.loads(record.after) == {"language": "es"}
    visit.post("/language", language="", next="/me")
    assert tag_of(visit, "/me") == "en"


def test_the_address_of_a_screen_names_its_language(visit: Visit) -> None:
    assert tag_of(visit, "/sign-in?lang=es") == "es"
    assert tag_of(visit) == "en"


def test_a_language_that_nobody_speaks_here_is_refused_in_a_sentence(visit: Visit) -> None:
    visit.get("/sign-in")
    answer = visit.post("/language", language="tlh", next="/sign-in")
    assert answer.status_code == 400
    assert "tlh" in answer.text
    assert "Português" in answer.text


def test_languages_bear_their_own_names(visit: Visit) -> None:
    page = visit.get("/sign-in?lang=es").text
    for name in ("English", "Español", "Português (Brasil)"):
        assert name in page


def test_problems_of_the_api_follow_the_request(application: Flask) -> None:
    client = application.test_client()
    english = client.get("/api/v1/machines").get_json()
    spanish = client.get("/api/v1/machines", headers={"Accept-Language": "es"}).get_json()
    assert english["detail"] == "Sign in first."
    assert spanish.keys() == english.keys()
    assert spanish["detail"] != english["detail"]


def test_a_file_is_the_same_for_every_reader(visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "administrator")
    files = ["/audit.csv?action=create+account", "/holds.csv"]
    english = [visit.get(path) for path in files]
    visit.get("/me")
    visit.post("/language", language="pt_BR", next="/me")
    for path, before in zip(files, english, strict=True):
        after = visit.get(path)
        assert (after.status_code, after.mimetype) == (before.status_code, before.mimetype)
        assert after.text == before.text
