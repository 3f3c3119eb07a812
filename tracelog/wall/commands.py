"""Commands of the wall screens: which there are, making one, and ending one."""

import uuid

import click

from tracelog.db import reading, writing
from tracelog.errors import TracelogError
from tracelog.instants import now, parse_instant, show_instant, zone_named
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.terminal import command_actor, json_option, open_database, print_json, print_table
from tracelog.wall.actions import make_screen, revoke_screen
from tracelog.wall.queries import screen_named
from tracelog.wall.queries import screens as all_screens

_UTC = zone_named("UTC")


@click.group()
def screens() -> None:
    """Screens on the wall, each of a line or the plant, that can only read.

    Example: tracelog screens list
    """


@screens.command("list")
@json_option
def list_screens(as_json: bool) -> None:
    """List all screens.

    Example: tracelog screens list --json
    """
    with reading(open_database()) as session:
        found = all_screens(session)
        lines = directory(session).lines.items()
    numbers: dict[uuid.UUID | None, int] = {line_id: line for line, line_id in lines}
    if as_json:
        keys = ("name", "made_at", "made_by", "expires_at", "last_seen_at", "revoked_at")
        print_json(
            {
                "screens": [
                    {"line": numbers.get(one.line_id), **{key: getattr(one, key) for key in keys}}
                    for one in found
                ]
            }
        )
        return
    print_table(
        [_("Name"), _("Shows"), _("Made (UTC)"), _("By"), _("Last seen (UTC)"), _("State")],
        [
            [
                one.name,
                _("line %(line)d", line=numbers[one.line_id])
                if one.line_id in numbers
                else _("the plant"),
                show_instant(one.made_at, _UTC),
                one.made_by,
                one.last_seen_at and show_instant(one.last_seen_at, _UTC),
                _("revoked")
                if one.revoked_at
                else _("in use")
                if one.is_good_at(now())
                else _("expired"),
            ]
            for one in found
        ],
    )


@screens.command()
@click.argument("name")
@click.option("--line", type=int, help="Which line it shows; otherwise the plant.")
@click.option("--expires-at", metavar="INSTANT", help="When it ends, such as 2027-01-01T00:00Z.")
def add(name: str, line: int | None, expires_at: str | None) -> None:
    """Make a screen; the path of its address is printed this once.

    Example: tracelog screens add "line 2, above the trimmers" --line 2
    """
    try:
        ends_at = parse_instant(expires_at, _UTC) if expires_at else None
    except ValueError as problem:
        raise TracelogError(str(problem), "expires_at") from None
    with writing(open_database()) as session:
        line_id = directory(session).line(line) if line is not None else None
        secret = make_screen(session, name, line_id, ends_at, command_actor(), now())
    click.echo(f"/wall/{secret}")


@screens.command()
@click.argument("name")
def revoke(name: str) -> None:
    """End a screen: its address shows nothing any more.

    Example: tracelog screens revoke "line 2, above the trimmers"
    """
    with writing(open_database()) as session:
        found = screen_named(session, name)
        revoke_screen(session, found.id, command_actor(), now())
    click.echo(_("%(name)s is revoked.", name=found.name))
