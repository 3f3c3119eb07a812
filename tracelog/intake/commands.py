"""Commands of the plant folder: import, export, check."""

import gc
import getpass
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import click
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from tracelog.audit import Actor
from tracelog.db import writing
from tracelog.errors import TracelogError
from tracelog.instants import now
from tracelog.intake.folder_export import export_folder as write_folder
from tracelog.intake.folder_import import import_folder as import_files
from tracelog.intake.importing import Importing
from tracelog.intake.integrity import look_over
from tracelog.intake.report import ImportReport
from tracelog.language import _
from tracelog.outcomes import Became
from tracelog.terminal import (
    EXIT_BAD_DATA,
    fail,
    json_option,
    open_database,
    print_json,
    print_table,
)


def _somebody() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"


@contextmanager
def _told_plainly() -> Iterator[None]:
    """Turn what the database cannot do (disk full, read-only, locked) into one sentence."""
    try:
        yield
    except DBAPIError as problem:
        raise TracelogError(
            _(
                "the database cannot do that and is as it was before: %(why)s",
                why=str(problem.orig).strip().splitlines()[0],
            )
        ) from problem


@click.command("import")
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option(
    "--keep-good",
    is_flag=True,
    help="Keep the good rows; write the others beside the input as NAME.rejected.csv.",
)
@click.option("--dry-run", is_flag=True, help="Only report; write nothing.")
@json_option
def import_folder(folder: Path, keep_good: bool, dry_run: bool, as_json: bool) -> None:
    """Import a plant folder: either every row is in, or none is.

    Each bad row is told on stderr as file:line: column: what is wrong and what would be right.

    Example: tracelog import my-plant/ --dry-run
    """
    engine = open_database()
    with _told_plainly(), ExitStack() as stack:
        report, kept, written = _import(engine, folder, keep_good, dry_run, stack)
    if as_json:
        print_json(_as_json(folder, report, kept, written))
    else:
        _print_report(report, kept, written, dry_run)
    if report.faults and not (keep_good and kept):
        fail(report.sentences())
    for sentence in report.sentences():
        click.echo(sentence, err=True)


def _import(
    engine: Engine, folder: Path, keep_good: bool, dry_run: bool, stack: ExitStack
) -> tuple[ImportReport, bool, list[Path]]:
    """Import in one transaction.

    Returns:
        The report, whether rows are kept, and the files of rejected rows.
    """
    progress = _Progress(folder, stack)
    session = stack.enter_context(writing(engine))
    importing = Importing(
        session,
        folder,
        Actor(_somebody(), "administrator", "import"),
        now(),
        wants_rejected=keep_good and not dry_run,
        progress=progress,
    )
    # Facts hold no cycles, and looking for some among so many takes a third of the time.
    gc.disable()
    try:
        report = import_files(importing)
        keeps = not dry_run and not report.stopped and (keep_good or not report.faults)
        if not keeps:
            session.rollback()
        # Leaving the block commits; the rejected rows are named only once that is done.
        stack.close()
        paths = [rejected.keep() for rejected in importing.rejected] if keeps else []
    finally:
        gc.enable()
        for rejected in importing.rejected:
            rejected.discard()
    return report, keeps, [path for path in paths if path is not None]


class _Progress:
    """A progress bar on a terminal, nothing elsewhere."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self._bar: Any = None
        if not sys.stderr.isatty():
            return
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        self._bar = stack.enter_context(
            Progress(
                TextColumn("{task.description}"),
                BarColumn(),
                TextColumn("{task.percentage:>3.0f} %"),
                TimeElapsedColumn(),
                console=Console(stderr=True),
                transient=True,
            )
        )
        total = sum(path.stat().st_size for path in folder.glob("*.csv"))
        self._task = self._bar.add_task(_("Importing"), total=total)

    def __call__(self, file: str, more_bytes: int) -> None:
        """Show how far it is."""
        if self._bar is not None:
            self._bar.update(self._task, description=file, advance=more_bytes)


def _as_json(
    folder: Path, report: ImportReport, kept: bool, rejected: list[Path]
) -> dict[str, Any]:
    return {
        "folder": str(folder),
        "written": kept,
        "files": [file.as_json() for file in report.files],
        "seeded_defect_types": report.seeded_defect_types,
        "rejected": [path.name for path in rejected],
        "faults": [
            {"file": f.file, "line": f.line, "column": f.column, "sentence": f.sentence}
            for f in report.faults
        ],
    }


def _print_report(report: ImportReport, kept: bool, rejected: list[Path], dry_run: bool) -> None:
    happened = [kind for kind in Became if any(file.became[kind] for file in report.files)]
    print_table(
        [_("File"), _("Rows"), *(kind.value.capitalize() for kind in happened)],
        [
            [file.file, file.rows, *(file.became[kind] for kind in happened)]
            for file in report.files
        ],
    )
    if report.seeded_defect_types:
        click.echo(
            _("%(count)d built-in kinds of defect entered", count=report.seeded_defect_types)
        )
    for path in rejected:
        click.echo(_("Rejected rows, with reasons: %(path)s", path=path))
    if kept:
        click.echo(_("Imported."))
    elif dry_run:
        click.echo(_("Only looked; nothing was written."))
    else:
        click.echo(_("Nothing was written."))


@click.command("export")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@json_option
def export_folder(folder: Path, as_json: bool) -> None:
    """Export everything as a plant folder, which an import takes back unchanged.

    Example: tracelog export my-plant/
    """
    with _told_plainly():
        rows = write_folder(open_database(), folder)
    if as_json:
        print_json({"folder": str(folder), "files": rows})
    else:
        print_table([_("File"), _("Rows")], rows.items())


@click.command("check")
@click.option("--rebuild", is_flag=True, help="Make the derived tables anew from the facts.")
@json_option
def check(rebuild: bool, as_json: bool) -> None:
    """Check the audit trail, the references, and the derived tables against the facts.

    Writers wait while it looks.

    Example: tracelog check --rebuild
    """
    engine = open_database()
    with _told_plainly(), writing(engine) as session:
        found = look_over(session, now(), rebuild=rebuild)
        if not rebuild:
            session.rollback()
    if as_json:
        print_json(found.as_json())
    for sentence in (*found.audit, *found.references, *found.derived):
        click.echo(sentence, err=True)
    if not as_json and found.is_whole:
        click.echo(_("Derived tables made anew.") if rebuild else _("Everything is in order."))
    if found.derived and not rebuild:
        click.echo(_("Run 'tracelog check --rebuild' to make the derived tables anew."), err=True)
    if not found.is_whole:
        sys.exit(EXIT_BAD_DATA)
