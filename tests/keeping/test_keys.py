"""The secret key is changed without signing anybody out, and the old one is forgotten later."""

import json
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from flask import Flask
from sqlalchemy import Engine

from tests.support.command import Command
from tests.support.site import Cast, Visit
from tracelog.config import Settings, load_settings
from tracelog.db import new_id
from tracelog.errors import Conflict
from tracelog.keeping import keys
from tracelog.notices.delivering import fits_key
from tracelog.notices.queries import WebhookView
from tracelog.notices.sending.signatures import secret_check, webhook_secret
from tracelog.web.application import create_application


def settings_in(folder: Path) -> Settings:
    return load_settings({"TRACELOG_DATA_DIR": str(folder)})


def test_a_new_key_takes_the_old_ones_place_and_the_old_one_stays_for_a_while(
    tmp_path: Path,
) -> None:
    with pytest.raises(Conflict, match="no key lies in"):
        keys.state(tmp_path)
    first = settings_in(tmp_path)
    keys.renew(tmp_path)
    keys.renew(tmp_path)
    last = settings_in(tmp_path)
    assert last.secret_key != first.secret_key
    assert len(last.older_keys) == 2
    assert last.older_keys[-1] == first.secret_key
    told = keys.state(tmp_path)
    assert told.older[-1] == keys.mark(first.secret_key)
    assert first.secret_key not in repr(told) + repr(last)
    if sys.platform != "win32":
        for name in ("secret-key", "secret-key-older"):
            assert (tmp_path / name).stat().st_mode & 0o077 == 0
    assert keys.forget(tmp_path) == 2
    assert settings_in(tmp_path) == replace(last, secret_key_fallbacks=None)


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_who_has_signed_in_stays_so_until_the_old_key_is_forgotten(
    own_engine: Engine, application: Flask, cast: Cast, tmp_path: Path
) -> None:
    def served(settings: Settings) -> Visit:
        other = Visit(create_application(settings, engine=own_engine).test_client())
        cookie = visit.client.get_cookie("tracelog")
        assert cookie is not None
        other.client.set_cookie("tracelog", cookie.value)
        return other

    keys_in = tmp_path / "keys"
    before = settings_in(keys_in)
    visit = Visit(create_application(before, engine=own_engine).test_client())
    cast.sign_in(visit, "planner")
    keys.renew(keys_in)
    assert served(settings_in(keys_in)).get("/me").status_code == 200
    keys.forget(keys_in)
    assert served(settings_in(keys_in)).get("/me").status_code == 302


def test_webhooks_go_on_with_the_secret_that_was_shown(tmp_path: Path) -> None:
    before = settings_in(tmp_path)
    hook = WebhookView(
        new_id(), "https://x.example", "ada", 1, "", 0, None, None, datetime.now(UTC)
    )
    hook = replace(
        hook,
        secret_check=secret_check(webhook_secret(before.secret_key, str(hook.id), 1)),
    )
    keys.renew(tmp_path)
    assert fits_key(settings_in(tmp_path), hook)
    keys.forget(tmp_path)
    assert not fits_key(settings_in(tmp_path), hook)


def test_keys_that_are_set_come_with_commas_and_are_not_the_files(tmp_path: Path) -> None:
    settings_in(tmp_path)
    keys.renew(tmp_path)
    given = {"TRACELOG_DATA_DIR": str(tmp_path), "TRACELOG_SECRET_KEY": "new"}
    assert load_settings(given).older_keys == ()
    given["TRACELOG_SECRET_KEY_FALLBACKS"] = "one, two"
    assert load_settings(given).older_keys == ("one", "two")


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_the_commands_tell_marks_and_never_a_key(command: Command, tmp_path: Path) -> None:
    before = settings_in(tmp_path)
    told = command("key", "renew", "--json")
    assert json.loads(told.stdout)["older"] == [keys.mark(before.secret_key)]
    assert "Restart the server" in told.stderr
    assert "Still accepted" in command("key", "state").stdout
    assert "Keys forgotten: 1" in command("key", "forget").stdout
    command.environment["TRACELOG_SECRET_KEY"] = "set elsewhere"
    assert "TRACELOG_SECRET_KEY_FALLBACKS" in command("key", "renew", status=1).stderr
