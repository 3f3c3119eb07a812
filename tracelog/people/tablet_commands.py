"""Commands of shared tablets: which there are, and ending one that was lost."""

import click

from tracelog.db import reading, writing
from tracelog.instants import now, show_instant, zone_named
from tracelog.language import _
from tracelog.people import tablet_actions, tablet_queries
from tracelog.terminal import command_actor, json_option, open_database, print_json, print_table

_UTC = zone_named("UTC")


@click.group()
def tablets() -> None:
    """Shared tablets, on which people sign in with a PIN; one is made on the tablet itself.

    Example: tracelog tablets list
    """


@tablets.command("list")
@json_option
def list_tablets(as_json: bool) -> None:
    """List all shared tablets.

    Example: tracelog tablets list --json
    """
    with reading(open_database()) as session:
        found = tablet_queries.tablets(session)
    if as_json:
        keys = ("name", "idle_minutes", "made_at", "made_by", "last_seen_at", "revoked_at")
        print_json({"tablets": [{key: getattr(one, key) for key in keys} for one in found]})
        return
    print_table(
        [
            _("Name"),
            _("Locks after (min)"),
            _("Made (UTC)"),
            _("By"),
            _("Last sign-in"),
            _("State"),
        ],
        [
            [
                one.name,
                one.idle_minutes,
                show_instant(one.made_at, _UTC),
                one.made_by,
                one.last_seen_at and show_instant(one.last_seen_at, _UTC),
                _("revoked") if one.revoked_at else _("in use"),
            ]
            for one in found
        ],
    )


@tablets.command()
@click.argument("name")
def revoke(name: str) -> None:
    """End a shared tablet: it takes no PIN any more, and who is signed in there is signed out.

    Example: tracelog tablets revoke "line 2, front end"
    """
    with writing(open_database()) as session:
        found = tablet_queries.tablet_named(session, name)
        tablet_actions.revoke_tablet(session, found.id, command_actor(), now())
    click.echo(_("%(name)s is revoked.", name=found.name))
