"""Tablets and PINs from the server's own terminal."""

import json

from sqlalchemy import Engine

from tests.support.command import Command
from tests.support.site import CAST, JOINED_AT, Cast
from tracelog.db import reading, writing
from tracelog.people import queries, tablet_actions, tablet_queries
from tracelog.people.secrets import verify_secret


def test_a_pin_is_given_out(command: Command, cast: Cast, own_engine: Engine) -> None:
    cast.join("operator")
    given = command("user", "pin", "olga").stdout.strip()
    with reading(own_engine) as session:
        account = queries.account_named(session, "olga")
        kept, once_until = tablet_queries.kept_pin(session, account.id)
    assert verify_secret(given, kept)
    assert once_until is not None
    assert "no account named 'nobody'" in command("user", "pin", "nobody", status=1).stderr


def test_tablets_are_listed_and_revoked(command: Command, own_engine: Engine) -> None:
    with writing(own_engine) as session:
        actor = CAST["supervisor"].actor()
        tablet_actions.share_tablet(session, "line 2", None, "5", actor, JOINED_AT)
    (listed,) = json.loads(command("tablets", "list", "--json").stdout)["tablets"]
    assert (listed["name"], listed["idle_minutes"], listed["revoked_at"]) == ("line 2", 5, None)
    assert "line 2 is revoked" in command("tablets", "revoke", "LINE 2").stdout
    assert "no shared tablet in use" in command("tablets", "revoke", "line 2", status=1).stderr
    assert "revoked" in command("tablets", "list").stdout
