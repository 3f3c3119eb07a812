"""The command `tracelog check`."""

import sys

import click

from tracelog.db import writing
from tracelog.errors import EXIT_BAD_DATA
from tracelog.instants import now
from tracelog.intake.commands import opened_database
from tracelog.keeping.integrity import look_over
from tracelog.language import _
from tracelog.terminal import json_option, print_json


@click.command("check")
@click.option("--rebuild", is_flag=True, help="Make the derived tables anew from the facts.")
@json_option
def check(rebuild: bool, as_json: bool) -> None:
    """Check audit trail, rows, references, pictures, and derived tables against the facts.

    A row that was altered, removed or added past tracelog is named. Writers wait while it looks.

    Example: tracelog check --rebuild
    """
    with opened_database() as engine, writing(engine) as session:
        found = look_over(session, now(), rebuild=rebuild)
        if not rebuild:
            session.rollback()
    if as_json:
        print_json(found.as_json())
    for sentence in (*found.audit, *found.rows, *found.references, *found.derived):
        click.echo(sentence, err=True)
    if not as_json and found.is_whole:
        click.echo(_("Derived tables made anew.") if rebuild else _("Everything is in order."))
    if found.derived and not rebuild:
        click.echo(_("Run 'tracelog check --rebuild' to make the derived tables anew."), err=True)
    if not found.is_whole:
        sys.exit(EXIT_BAD_DATA)
