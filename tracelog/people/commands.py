"""Commands of the people: accounts and their sessions, from the server's own terminal."""

import sys

import click

from tracelog.db import reading, writing
from tracelog.instants import now, show_instant, zone_named
from tracelog.language import _
from tracelog.people import actions, queries, session_actions, tablet_actions
from tracelog.people.permissions import ROLES
from tracelog.people.session_queries import sessions_of
from tracelog.terminal import (
    command_actor,
    json_option,
    open_database,
    print_json,
    print_table,
)

_UTC = zone_named("UTC")


@click.group()
def user() -> None:
    """Accounts of people, and where they are signed in.

    Example: tracelog user add anna --role administrator
    """


_own_option = click.option(
    "--own", is_flag=True, help="Its person types it themselves: it need not be changed."
)


def _read_secret(role: str) -> str:
    """A password or PIN: asked for twice on a terminal, else the first line of the input."""
    what = _("PIN or password") if role == "operator" else _("Password")
    if sys.stdin.isatty():
        return str(click.prompt(what, hide_input=True, confirmation_prompt=True))
    return sys.stdin.readline().rstrip("\r\n")


@user.command()
@click.argument("name")
@click.option("--role", type=click.Choice(ROLES), required=True, help="What they may do.")
@click.option("--display-name", default="", help="As others see it; otherwise the name.")
@_own_option
def add(name: str, role: str, display_name: str, own: bool) -> None:
    """Make an account; the password or PIN is asked for, or read from the input.

    It is to be changed at the first sign-in, within 7 days. The first account's need not be, nor
    one that its person types here themselves (--own).

    Example: tracelog user add anna --role planner
    """
    engine = open_database()
    secret = _read_secret(role)
    with writing(engine) as session:
        once = not own and not queries.is_empty(session)
        actions.create_account(
            session, name, display_name, role, secret, command_actor(), now(), once=once
        )
    click.echo(_("The account %(name)s is made.", name=queries.canonical_name(name)))


@user.command("list")
@json_option
def list_accounts(as_json: bool) -> None:
    """List all accounts.

    Example: tracelog user list --json
    """
    with reading(open_database()) as session:
        found = queries.accounts(session)
    if as_json:
        print_json(
            {
                "accounts": [
                    {
                        "name": account.name,
                        "display_name": account.display_name,
                        "role": account.role,
                        "active": account.active,
                        "last_signed_in_at": account.last_signed_in_at,
                    }
                    for account in found
                ]
            }
        )
        return
    print_table(
        [_("Name"), _("Shown as"), _("Role"), _("State"), _("Last signed in (UTC)")],
        [
            [
                account.name,
                account.display_name,
                account.role,
                _("active") if account.active else _("disabled"),
                account.last_signed_in_at and show_instant(account.last_signed_in_at, _UTC),
            ]
            for account in found
        ],
    )


@user.command()
@click.argument("name")
@_own_option
def passwd(name: str, own: bool) -> None:
    """Give an account another password or PIN; all its sessions end.

    It is to be changed at the next sign-in, within 7 days, unless its person types it here
    themselves (--own).

    Example: tracelog user passwd anna
    """
    engine = open_database()
    with reading(engine) as session:
        account = queries.account_named(session, name)
    secret = _read_secret(account.role)
    with writing(engine) as session:
        actions.change_secret(session, account.id, secret, command_actor(), now(), once=not own)
    click.echo(_("The password or PIN of %(name)s is changed.", name=account.name))


@user.command()
@click.argument("name")
@click.option("--again", is_flag=True, help="Let them sign in again.")
def disable(name: str, again: bool) -> None:
    """Keep an account from signing in; what it recorded stays.

    Example: tracelog user disable anna
    """
    with writing(open_database()) as session:
        account = queries.account_named(session, name)
        actions.set_active(session, account.id, again, command_actor(), now())
    done = _("%(name)s may sign in again.") if again else _("%(name)s cannot sign in any more.")
    click.echo(done % {"name": account.name})


@user.command()
@click.argument("name")
def pin(name: str) -> None:
    """Give somebody a new PIN for shared tablets, good once; it is printed this once.

    Example: tracelog user pin anna
    """
    with writing(open_database()) as session:
        account = queries.account_named(session, name)
        given = tablet_actions.reset_pin(session, account.id, command_actor(), now())
    click.echo(given)


@user.command()
@click.argument("name")
@json_option
def sessions(name: str, as_json: bool) -> None:
    """List where somebody is signed in just now.

    Example: tracelog user sessions anna --json
    """
    with reading(open_database()) as session:
        account = queries.account_named(session, name)
        found = sessions_of(session, account.id, now())
    if as_json:
        keys = ("device", "tablet", "way", "address", "browser", "began_at", "seen_at")
        print_json({"sessions": [{key: getattr(one, key) for key in keys} for one in found]})
        return
    print_table(
        [_("Where"), _("With"), _("Address"), _("Since (UTC)"), _("Last seen (UTC)")],
        [
            [
                one.tablet or _(one.device),
                _(one.way),
                one.address,
                show_instant(one.began_at, _UTC),
                show_instant(one.seen_at, _UTC),
            ]
            for one in found
        ],
    )


@user.command("sign-out")
@click.argument("name")
def sign_out(name: str) -> None:
    """End all sessions of somebody, at shared tablets too; tokens of programs go on.

    Example: tracelog user sign-out anna
    """
    with writing(open_database()) as session:
        account = queries.account_named(session, name)
        session_actions.end_all(session, account.id, command_actor(), now())
    click.echo(_("%(name)s is signed out everywhere.", name=account.name))
