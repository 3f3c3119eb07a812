"""The command `tracelog retention`."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import click
from sqlalchemy import Engine

from tracelog.audit import take_turn
from tracelog.db import reading, writing
from tracelog.errors import TracelogError
from tracelog.instants import now
from tracelog.keeping.retention.actions import RetiredNow, retire_month
from tracelog.keeping.retention.queries import DueMonth, due_months
from tracelog.language import _
from tracelog.terminal import command_actor, json_option, open_database, print_json, print_table


@click.command("retention")
@click.option(
    "--keep-months",
    type=click.IntRange(min=1),
    required=True,
    help="Whole months (UTC) before the present one whose readings stay.",
)
@click.option(
    "--export",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    help="The folder that the files are put into.",
)
@click.option("--dry-run", is_flag=True, help="Only say which months would go.")
@json_option
def retention(keep_months: int, folder: Path, dry_run: bool, as_json: bool) -> None:
    """Export counter readings of old months to Parquet files, and take them out of the database.

    A month goes only after its hours were counted anew and found right, and its file was read again
    and found to hold every reading. Strokes, rates and services stay as they were; readings that
    come later for such a month are refused. Each month is one transaction, the oldest first. Make
    a backup before the first time, and keep the files: nothing puts them back.

    Example: tracelog retention --keep-months 24 --export /srv/readings --dry-run
    """
    engine, moment = open_database(), now()
    if dry_run:
        with reading(engine) as session:
            due = list(due_months(session, moment, keep_months))
        if as_json:
            print_json({"months": [_as_json(one, folder / one.file) for one in due]})
        else:
            _show(_("Months that would go"), due, folder)
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise TracelogError(
            _("the folder %(path)s cannot be made: %(why)s", path=folder, why=problem.strerror)
        ) from problem
    done = []
    for one in _retired(engine, folder, keep_months, moment):
        done.append(one)
        if not as_json:
            click.echo(
                _(
                    "%(month)s: %(rows)d readings are in %(path)s and out of the database.",
                    month=f"{one.month:%Y-%m}",
                    rows=one.rows,
                    path=one.path,
                )
            )
    if as_json:
        print_json({"months": [_as_json(one, one.path) | {"sha256": one.sha256} for one in done]})
    elif not done:
        click.echo(_("No month is old enough."))


def _retired(
    engine: Engine, folder: Path, keep_months: int, moment: datetime
) -> Iterator[RetiredNow]:
    """Retire month after month, each kept by itself."""
    while True:
        with writing(engine) as session:
            take_turn(session)
            due = next(due_months(session, moment, keep_months), None)
            if due is None:
                return
            done = retire_month(session, due, folder, command_actor(), moment)
        yield done


def _as_json(one: DueMonth | RetiredNow, path: Path) -> dict[str, Any]:
    return {"month": f"{one.month:%Y-%m}", "readings": one.rows, "file": str(path)}


def _show(title: str, due: list[DueMonth], folder: Path) -> None:
    if not due:
        click.echo(_("No month is old enough."))
        return
    rows = [(f"{one.month:%Y-%m}", one.rows, folder / one.file) for one in due]
    print_table([_("Month"), _("Readings"), _("File")], rows, title=title)
