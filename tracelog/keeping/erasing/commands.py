"""The command `tracelog erase-person`."""

import click

from tracelog.db import writing
from tracelog.errors import TracelogError
from tracelog.instants import now
from tracelog.keeping.erasing.actions import erase_person as erase
from tracelog.keeping.erasing.answers import erased_answer
from tracelog.language import _
from tracelog.terminal import command_actor, json_option, open_database, print_json, print_table


@click.command("erase-person")
@click.argument("name")
@click.option("--yes", is_flag=True, help="Do not ask whether it is meant; it cannot be undone.")
@json_option
def erase_person(name: str, yes: bool, as_json: bool) -> None:
    """Erase the name of a person: what they recorded stays under a pseudonym.

    NAME is the name of an account, or the whole name under which facts were imported. Nobody can
    undo it. What other people wrote about them is listed and left; older backups hold the name
    still.

    Example: tracelog erase-person anna
    """
    asked = _("Erase the name '%(name)s'? This cannot be undone.", name=name)
    if not yes and not click.confirm(asked):
        raise TracelogError(_("nothing was erased"))
    with writing(open_database()) as session:
        done = erase(session, name, command_actor(), now())
    if as_json:
        print_json(erased_answer(done))
        return
    click.echo(
        _(
            "Erased: '%(name)s' is %(person)s now, in %(rows)d rows and %(records)d audit records.",
            name=name,
            person=done.pseudonym,
            rows=sum(done.rows.values()),
            records=done.records,
        )
    )
    if done.left:
        print_table(
            [_("Table"), _("Column"), _("Rows"), _("Which")],
            [[one.table, one.column, one.rows, ", ".join(one.keys)] for one in done.left],
            title=_("Where people still wrote the name"),
        )
