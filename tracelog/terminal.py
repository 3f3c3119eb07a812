"""What all commands share: the database they work on, instants as options, tables, exit status."""

import getpass
import json
import sys
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, NoReturn, TypeVar
from zoneinfo import ZoneInfo

import click
from sqlalchemy import Engine, inspect

from tracelog.audit import Actor
from tracelog.config import Settings, load_settings
from tracelog.db import is_current, known_revisions, make_engine, revision_of, upgrade
from tracelog.errors import EXIT_BAD_DATA, TracelogError
from tracelog.facts import plain_value
from tracelog.instants import moment_or_day
from tracelog.language import _

Decorated = TypeVar("Decorated", bound=Callable[..., Any])


def open_database(settings: Settings | None = None, create: bool = False) -> Engine:
    """The engine of the configured database, with tables of this version; closed with the command.

    Args:
        settings: as loaded; None loads them.
        create: upgrade older tables (SQLite's always are). Tables are made where there are none.

    Raises:
        TracelogError: the tables are of another version and `create` is not set.
    """
    settings = settings or load_settings()
    engine = make_engine(settings.database_url)
    if context := click.get_current_context(silent=True):
        context.call_on_close(engine.dispose)
    if not is_current(engine):
        demand_known(engine)
        is_older = engine.dialect.name != "sqlite" and inspect(engine).has_table("alembic_version")
        if is_older and not create:
            raise TracelogError(
                _("the database's tables are of another version; run 'tracelog upgrade' first")
            )
        upgrade(engine)
    return engine


def demand_known(engine: Engine) -> None:
    """Refuse tables of a version that this program does not know.

    Raises:
        TracelogError: a later version made them.
    """
    with engine.connect() as connection:
        revision = revision_of(connection)
    if revision and revision not in known_revisions(engine):
        raise TracelogError(
            _(
                "the database's tables are of a later version, '%(revision)s', than this program;"
                " run the program that made them, or take them back with its 'tracelog downgrade'",
                revision=revision,
            )
        )


def command_actor(door: str = "command") -> Actor:
    """Who runs the command: the user of this computer.

    Whoever may run commands on the server has the database itself in hand.
    """
    try:
        name = getpass.getuser()
    except (KeyError, OSError):
        name = "unknown"
    return Actor(name, "administrator", door)


def instant_option(
    text: str | None, zone: ZoneInfo, option: str, ends: bool = False
) -> datetime | None:
    """An instant given as an option, in plant time unless it has an offset.

    A day means its start, or its end where it `ends` a period.

    Raises:
        click.BadParameter: not an instant (exit status 2).
    """
    if text is None:
        return None
    try:
        return moment_or_day(text, zone, ends=ends)
    except ValueError as problem:
        raise click.BadParameter(str(problem), param_hint=option) from None


def as_of_option(command: Decorated) -> Decorated:
    """Add ``--as-of``: the answer as it would have been then."""
    return click.option(
        "--as-of", metavar="INSTANT", help="Answer with only what was known by then."
    )(command)


def json_option(command: Decorated) -> Decorated:
    """Add ``--json``: print the documented object and not a table."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON, not a table.")(command)


def print_json(answer: Any) -> None:
    """Print an answer as JSON, instants in UTC with Z."""
    text = json.dumps(answer, indent=2, ensure_ascii=False, default=plain_value)
    click.echo(text)


def print_table(columns: Sequence[str], rows: Iterable[Sequence[Any]], title: str = "") -> None:
    """Print rows as a table that fits the terminal."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    cells = [["" if cell is None else str(cell) for cell in row] for row in rows]
    table = Table(
        title=title or None, title_justify="left", box=box.SIMPLE_HEAD, header_style="bold"
    )
    for place, column in enumerate(columns):
        # Figures stand under figures; only words may be broken over lines.
        present = [row[place] for row in cells if row[place]]
        figures = bool(present) and all(one[0] in "-0123456789" for one in present)
        table.add_column(
            column, justify="right" if figures else "left", no_wrap=figures, overflow="fold"
        )
    for row in cells:
        table.add_row(*row)
    console = Console()
    if not console.is_terminal:
        # In a file or a pipe nothing has to fit a screen.
        console = Console(width=200)
    console.print(table)


def write_file(path: Path, content: bytes) -> None:
    """Write a file that a command was asked for.

    Raises:
        TracelogError: it cannot be written.
    """
    try:
        path.write_bytes(content)
    except OSError as problem:
        raise TracelogError(
            _("%(path)s cannot be written: %(why)s", path=path, why=problem.strerror)
        ) from problem


def fail(sentences: Iterable[str]) -> NoReturn:
    """Say what is bad on stderr, one line per fault, and end with status 1."""
    for sentence in sentences:
        click.echo(sentence, err=True)
    sys.exit(EXIT_BAD_DATA)
