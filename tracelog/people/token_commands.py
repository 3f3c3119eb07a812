"""Commands of tokens, with which programs call the API."""

from datetime import datetime

import click

from tracelog.db import reading, writing
from tracelog.errors import NotFound, TracelogError
from tracelog.instants import now, parse_instant, show_instant, zone_named
from tracelog.language import _
from tracelog.people import actions, queries
from tracelog.people.permissions import ROLES
from tracelog.people.token_answers import token_answer
from tracelog.terminal import command_actor, json_option, open_database, print_json, print_table

_UTC = zone_named("UTC")


@click.group()
def token() -> None:
    """Tokens, with which programs act for an account.

    Example: tracelog token list
    """


@token.command()
@click.argument("account")
@click.argument("purpose")
@click.option("--role", type=click.Choice(ROLES), help="At most the account's own, the default.")
@click.option(
    "--scope", "scopes", multiple=True, help="What of the role it may do; otherwise all of it."
)
@click.option(
    "--expires-at", metavar="INSTANT", help="When it ends, within two years; otherwise in a year."
)
def add(
    account: str, purpose: str, role: str | None, scopes: tuple[str, ...], expires_at: str | None
) -> None:
    """Make a token with which a program acts for an account; it is printed this once.

    Example: tracelog token add gateway "line 3 counters" --scope counters
    """
    ends_at = _end(expires_at)
    with writing(open_database()) as session:
        found = queries.account_named(session, account)
        if not found.active:
            raise TracelogError(_("'%(name)s' is disabled", name=found.name), "name")
        secret = actions.create_token(
            session, found, purpose, role or found.role, command_actor(), now(), ends_at, scopes
        )
    click.echo(secret)


@token.command("list")
@json_option
def list_tokens(as_json: bool) -> None:
    """List all tokens: what each may do, when it ends, when and from where it was used last.

    Example: tracelog token list --json
    """
    with reading(open_database()) as session:
        found = queries.tokens(session)
    present = now()
    if as_json:
        print_json({"tokens": [token_answer(one, present) for one in found]})
        return
    print_table(
        [
            *(_("Account"), _("For"), _("Role"), _("Scopes"), _("Ends (UTC)")),
            *(_("Last used (UTC)"), _("From"), _("State")),
        ],
        [
            [
                one.account,
                one.name,
                one.role,
                one.scopes or _("all"),
                one.expires_at and show_instant(one.expires_at, _UTC),
                one.last_used_at and show_instant(one.last_used_at, _UTC),
                one.last_used_from,
                _(one.state_at(present)),
            ]
            for one in found
        ],
    )


@token.command()
@click.argument("account")
@click.argument("purpose")
def revoke(account: str, purpose: str) -> None:
    """End the token of that account and purpose.

    Example: tracelog token revoke gateway "line 3 counters"
    """
    with writing(open_database()) as session:
        holder = queries.account_named(session, account)
        found = [
            one
            for one in queries.tokens_of(session, holder.id)
            if one.name == purpose.strip() and one.revoked_at is None
        ]
        if not found:
            raise NotFound(
                _(
                    "%(account)s has no token for '%(purpose)s'; see tracelog token list",
                    account=holder.name,
                    purpose=purpose[:80],
                ),
                "purpose",
            )
        actions.revoke_token(session, found[0].id, command_actor(), now())
    click.echo(_("The token is revoked."))


def _end(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        return parse_instant(text, _UTC)
    except ValueError as problem:
        raise click.BadParameter(str(problem), param_hint="--expires-at") from None
