"""The commands `tracelog key`."""

import click

from tracelog.config import KEY, Settings, load_settings
from tracelog.errors import Conflict
from tracelog.instants import write_instant
from tracelog.keeping import keys
from tracelog.language import _
from tracelog.terminal import json_option, print_json


@click.group("key")
def key() -> None:
    """The secret key of this installation, which signs sessions and makes webhooks' secrets.

    Example: tracelog key state
    """


@key.command("state")
@json_option
def show(as_json: bool) -> None:
    """Which keys there are; a mark tells a key and does not open anything.

    Example: tracelog key state
    """
    _tell(keys.state(_settings().data_dir), as_json)


@key.command("renew")
@json_option
def renew(as_json: bool) -> None:
    """Make a new key; what the one before has signed is accepted until `tracelog key forget`.

    Restart the server afterwards. Webhooks go on with the secrets that they have.

    Example: tracelog key renew
    """
    _tell(keys.renew(_settings().data_dir), as_json)
    click.echo(_("Restart the server, so that it signs with the new key."), err=True)


@key.command("forget")
def forget() -> None:
    """Forget the keys from before; sessions that they signed end, so do webhooks' secrets.

    Example: tracelog key forget
    """
    count = keys.forget(_settings().data_dir)
    click.echo(_("Keys forgotten: %(count)d", count=count))
    click.echo(_("Restart the server, so that it forgets them too."), err=True)


def _settings() -> Settings:
    settings = load_settings()
    kept = settings.data_dir / KEY
    if not kept.exists() or kept.read_text(encoding="ascii").strip() != settings.secret_key:
        raise Conflict(
            _(
                "the key is set as TRACELOG_SECRET_KEY, or in the settings' file; change it there,"
                " and set the one before as TRACELOG_SECRET_KEY_FALLBACKS"
            )
        )
    return settings


def _tell(found: keys.KeyState, as_json: bool) -> None:
    if as_json:
        told = {"present": found.present, "since": found.since, "older": list(found.older)}
        print_json(told)
        return
    click.echo(_("Key %(mark)s since %(at)s", mark=found.present, at=write_instant(found.since)))
    for one in found.older:
        click.echo(_("Still accepted: %(mark)s", mark=one))
