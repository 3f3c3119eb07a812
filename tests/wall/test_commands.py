"""Screens from the server's own terminal."""

import json

import pytest
from sqlalchemy import Engine

from tests.support.command import Command
from tracelog.db import reading
from tracelog.people.secrets import token_hash
from tracelog.wall.queries import screen_with


@pytest.mark.small_plant
def test_a_screen_is_made_listed_and_revoked(command: Command, own_engine: Engine) -> None:
    path = command("screens", "add", "above the trimmers", "--line", "1").stdout.strip()
    assert path.startswith("/wall/tls_")
    with reading(own_engine) as session:
        assert screen_with(session, token_hash(path.removeprefix("/wall/"))) is not None
    (listed,) = json.loads(command("screens", "list", "--json").stdout)["screens"]
    assert (listed["name"], listed["line"], listed["revoked_at"]) == ("above the trimmers", 1, None)
    assert "is revoked" in command("screens", "revoke", "Above the trimmers").stdout
    assert "no screen in use is named" in command("screens", "revoke", "x", status=1).stderr
    assert "revoked" in command("screens", "list").stdout
    assert "there is no line 99" in command("screens", "add", "y", "--line", "99", status=1).stderr
    wrong = command("screens", "add", "y", "--expires-at", "soon", status=1).stderr
    assert "soon" in wrong
