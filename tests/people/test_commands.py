"""Accounts and tokens from the server's terminal."""

import json

import pytest
from sqlalchemy import Engine

from tests.support.command import Command
from tracelog import instants
from tracelog.db import reading, writing
from tracelog.people import queries, secrets
from tracelog.people.session_actions import open_session

WORDS = "four words and more\n"
pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


def test_an_account_is_made_listed_changed_and_disabled(
    command: Command, own_engine: Engine
) -> None:
    made = command("user", "add", "Anna", "--role", "planner", typed=WORDS)
    assert made.stdout == "The account anna is made.\n"
    assert WORDS.strip() not in made.stdout + made.stderr
    command("user", "passwd", "anna", typed="other words it is\n")
    command("user", "disable", "anna")
    listed = json.loads(command("user", "list", "--json").stdout)
    assert listed == {
        "accounts": [
            {
                "name": "anna",
                "display_name": "anna",
                "role": "planner",
                "active": False,
                "last_signed_in_at": None,
            }
        ]
    }
    with reading(own_engine) as session:
        _account, kept = queries.secret_of(session, "anna")
    assert secrets.verify_secret("other words it is", kept)


def test_a_token_is_printed_once(command: Command, own_engine: Engine) -> None:
    command("user", "add", "gate", "--role", "planner", typed=WORDS)
    made = command("token", "add", "gate", "line 3", "--role", "operator")
    with reading(own_engine) as session:
        holder = queries.token_holder(session, secrets.token_hash(made.stdout.strip()))
    assert holder is not None
    assert (holder.token.name, holder.token.role) == ("line 3", "operator")


@pytest.mark.parametrize(
    ("arguments", "typed", "status", "sentence"),
    [
        (("add", "anna", "--role", "planner"), "short\n", 1, "at least 10 characters"),
        (("add", "anna", "--role", "planner"), "", 1, "at least 10 characters"),
        (("add", "anna", "--role", "boss"), WORDS, 2, "boss"),
        (("passwd", "nobody"), WORDS, 1, "there is no account named 'nobody'"),
        (("disable", "nobody"), "", 1, "there is no account named 'nobody'"),
        (("sessions", "nobody"), "", 1, "there is no account named 'nobody'"),
        (("sign-out", "nobody"), "", 1, "there is no account named 'nobody'"),
    ],
)
def test_what_is_wrong_is_said_on_stderr(
    command: Command, arguments: tuple[str, ...], typed: str, status: int, sentence: str
) -> None:
    answer = command("user", *arguments, typed=typed, status=status)
    assert sentence in answer.stderr
    assert answer.stdout == ""


def test_a_token_that_is_not_right_is_refused(command: Command) -> None:
    assert "no account named" in command("token", "add", "nobody", "x", status=1).stderr
    soon = command("token", "add", "nobody", "x", "--expires-at", "soon", status=2)
    assert "'soon' is not an instant" in soon.stderr


def test_sessions_are_listed_and_ended_from_the_terminal(
    command: Command, own_engine: Engine
) -> None:
    command("user", "add", "anna", "--role", "planner", typed=WORDS)
    with writing(own_engine) as session:
        anna = queries.account_named(session, "anna")
        open_session(session, anna, "password", None, "192.0.2.4", "X (Mobile)", instants.now())
    (one,) = json.loads(command("user", "sessions", "anna", "--json").stdout)["sessions"]
    assert (one["device"], one["address"], one["tablet"]) == ("phone", "192.0.2.4", None)
    command("user", "sign-out", "anna")
    assert json.loads(command("user", "sessions", "anna", "--json").stdout) == {"sessions": []}
