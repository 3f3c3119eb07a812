"""The pages of the people: one's own, and the administrator's accounts and tokens."""

import re
import uuid

import pytest
from sqlalchemy import Engine

from tests.support.site import CAST, Cast, Visit
from tracelog.db import reading
from tracelog.people import queries, secrets


def account_id(engine: Engine, name: str) -> uuid.UUID:
    with reading(engine) as session:
        return queries.account_named(session, name).id


def test_somebody_changes_their_secret_and_stays_in(
    visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    person = cast.sign_in(visit, "planner")
    visit.get("/me")
    other = "another day at noon"
    answer = visit.post("/me/secret", present=person.secret, secret=other, again=other)
    assert answer.status_code == 303
    assert "counts from now on" in visit.get("/me").text
    with reading(own_engine) as session:
        _account, kept = queries.secret_of(session, person.name)
    assert secrets.verify_secret(other, kept)


@pytest.mark.parametrize(
    ("present", "secret", "again", "sentence"),
    [
        ("wrong words", "another day at noon", "another day at noon", "not your present password"),
        (CAST["planner"].secret, "another day at noon", "another day", "not the same as the new"),
        (CAST["planner"].secret, "short", "short", "at least 10 characters"),
        (CAST["planner"].secret, "", "", "at least 10 characters"),
    ],
)
def test_a_secret_that_cannot_be_changed_is_told_at_its_field(
    visit: Visit, cast: Cast, present: str, secret: str, again: str, sentence: str
) -> None:
    person = cast.sign_in(visit, "planner")
    visit.get("/me")
    answer = visit.post("/me/secret", present=present, secret=secret, again=again)
    assert 400 <= answer.status_code < 500
    assert sentence in answer.text
    assert 'aria-invalid="true"' in answer.text
    assert person.secret not in answer.text


def test_the_administrator_makes_an_account_that_can_sign_in(visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "administrator")
    visit.get("/accounts")
    answer = visit.post(
        "/accounts", name="Nils", display_name="Nils K.", role="operator", secret="583920"
    )
    assert answer.status_code == 303
    page = visit.get("/accounts").text
    assert "The account nils is made." in page
    assert "Nils K." in page
    visit.post("/sign-out")
    visit.get("/sign-in")
    assert visit.post("/sign-in", name="nils", secret="583920").status_code == 303


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("name", "", "is missing"),
        ("name", "two words", "has a space"),
        ("name", "ada", "is taken"),
        ("role", "boss", "is not a role"),
        ("secret", "short", "is too short"),
        ("display_name", "x" * 81, "at most 80 are kept"),
    ],
)
def test_a_faulty_account_keeps_what_was_typed_and_says_what_is_wrong(
    visit: Visit, cast: Cast, own_engine: Engine, field: str, value: str, sentence: str
) -> None:
    cast.sign_in(visit, "administrator")
    visit.get("/accounts")
    good = {"name": "nils", "display_name": "Nils", "role": "planner", "secret": "words enough"}
    answer = visit.post("/accounts", **(good | {field: value}))
    assert answer.status_code in {400, 409}
    assert sentence in answer.text
    assert f'href="#field-{field}"' in answer.text
    assert "words enough" not in answer.text
    assert ('value="Nils"' in answer.text) == (field != "display_name")
    with reading(own_engine) as session:
        assert [account.name for account in queries.accounts(session)] == ["ada"]


def test_role_secret_and_state_of_an_account_are_changed(
    visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    person = cast.join("operator")
    cast.sign_in(visit, "administrator")
    place = f"/accounts/{account_id(own_engine, person.name)}"
    visit.get(place)
    refused = visit.post(f"{place}/role", role="planner")
    assert (refused.status_code, "needs a password" in refused.text) == (400, True)
    assert visit.post(f"{place}/role", role="planner", secret="words enough").status_code == 303
    assert visit.post(f"{place}/secret", secret="short").status_code == 400
    assert visit.post(f"{place}/secret", secret="other words now").status_code == 303
    assert visit.post(f"{place}/active").status_code == 303
    page = visit.get(place).text
    assert "The account is disabled." in page
    assert "Let them sign in again" in page
    with reading(own_engine) as session:
        account, kept = queries.secret_of(session, person.name)
    assert account is not None
    assert (account.role, account.active) == ("planner", False)
    assert secrets.verify_secret("other words now", kept)
    assert visit.post(f"{place}/active", active="yes").status_code == 303


def test_the_administrator_cannot_shut_everybody_out(
    visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "administrator")
    place = f"/accounts/{account_id(own_engine, 'ada')}"
    visit.get(place)
    for path, fields in (("active", {}), ("role", {"role": "planner"})):
        answer = visit.post(f"{place}/{path}", **fields)
        assert answer.status_code == 400
        assert "last active administrator" in answer.text
    assert visit.get("/accounts").status_code == 200


def test_a_token_is_shown_once_opens_the_api_and_is_revoked(
    visit: Visit, cast: Cast, own_engine: Engine
) -> None:
    cast.sign_in(visit, "administrator")
    place = f"/accounts/{account_id(own_engine, 'ada')}"
    visit.get(place)
    made = visit.post(f"{place}/tokens", name="gateway", role="operator", expires_on="")
    found = re.search(r'id="new-token">([^<]+)<', made.text)
    assert found
    page = visit.get(place)
    assert found[1] not in page.text
    assert "gateway" in page.text
    with reading(own_engine) as session:
        (token,) = queries.tokens(session)
        assert queries.token_holder(session, secrets.token_hash(found[1])) is not None
    assert visit.post(f"/tokens/{token.id}/revoke", next=place).location == place
    assert "revoked" in visit.get(place).text


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"name": ""}, "say what the token is for"),
        ({"role": "boss"}, "is not a role"),
        ({"expires_on": "tomorrow"}, "is not a day"),
        ({"expires_on": "2020-01-01"}, "has passed already"),
    ],
)
def test_a_faulty_token_is_told(
    visit: Visit, cast: Cast, own_engine: Engine, fields: dict[str, str], sentence: str
) -> None:
    cast.sign_in(visit, "administrator")
    place = f"/accounts/{account_id(own_engine, 'ada')}"
    visit.get(place)
    answer = visit.post(f"{place}/tokens", **({"name": "x", "role": "operator"} | fields))
    assert answer.status_code == 400
    assert sentence in answer.text
    assert "new-token" not in answer.text


def test_an_account_that_is_not_there_is_not_found(visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "administrator")
    visit.get("/accounts")
    nobody = uuid.UUID(int=7)
    assert visit.get(f"/accounts/{nobody}").status_code == 404
    for path in ("role", "secret", "active", "tokens"):
        fields = {"secret": "words enough", "role": "planner", "name": "x"}
        assert visit.post(f"/accounts/{nobody}/{path}", **fields).status_code == 404
    assert visit.post(f"/tokens/{nobody}/revoke").status_code == 404


def test_the_look_is_kept_in_the_browser(visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "operator")
    assert 'data-look="auto"' in visit.get("/me").text
    assert visit.post("/look", look="dark", next="/me").location == "/me"
    assert 'data-look="dark"' in visit.get("/me").text
    visit.post("/look", look="loud", next="/me")
    assert 'data-look="dark"' in visit.get("/me").text
