"""Commands of the plant folder: import and export."""

import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import click
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from tracelog.errors import TracelogError
from tracelog.instants import now
from tracelog.intake.folder_export import export_folder as write_folder
from tracelog.intake.folder_import import Imported, import_whole
from tracelog.intake.report import LocatedFault
from tracelog.intake.spreadsheets.loading import load_file
from tracelog.language import _
from tracelog.outcomes import Became
from tracelog.terminal import (
    command_actor,
    fail,
    json_option,
    open_database,
    print_json,
    print_table,
)
from tracelog.trends.signals.watching import bring_up_to_date


@contextmanager
def opened_database() -> Iterator[Engine]:
    """The configured database; what it cannot do (disk full, read-only) is told in a sentence."""
    engine = None
    try:
        engine = open_database()
        yield engine
    except DBAPIError as problem:
        raise TracelogError(
            _(
                "the database cannot do that and is as it was before: %(why)s",
                why=str(problem.orig).strip().splitlines()[0],
            )
        ) from problem
    finally:
        if engine is not None:
            engine.dispose()


@click.command("import")
@click.argument("folder", type=click.Path(path_type=Path, exists=True))
@click.option("--mapping", help="Of a spreadsheet: the name under which its mapping was kept.")
@click.option(
    "--keep-good",
    is_flag=True,
    help="Keep the good rows; write the others beside the input as NAME.rejected.csv.",
)
@click.option("--dry-run", is_flag=True, help="Only report; write nothing.")
@json_option
def import_folder(
    folder: Path, mapping: str | None, keep_good: bool, dry_run: bool, as_json: bool
) -> None:
    """Import a plant folder, or a spreadsheet: either every row is in, or none is.

    Each bad row is told on stderr as file:line: column: what is wrong and what would be right.

    Example: tracelog import my-plant/ --dry-run
    """
    if folder.is_file():
        _import_sheet(folder, mapping, as_json, keep_good=keep_good, dry_run=dry_run)
        return
    with opened_database() as engine, ExitStack() as stack:
        done = import_whole(
            engine,
            folder,
            command_actor("import"),
            now(),
            keep_good=keep_good,
            dry_run=dry_run,
            progress=_Progress(folder, stack),
        )
        if done.is_kept and not dry_run:
            bring_up_to_date(engine, now())
    if as_json:
        print_json(_as_json(folder, done))
    else:
        _print_report(done, dry_run)
    if done.report.faults and not done.is_kept:
        fail(done.report.sentences())
    for sentence in done.report.sentences():
        click.echo(sentence, err=True)


def _import_sheet(
    path: Path, mapping: str | None, as_json: bool, *, keep_good: bool, dry_run: bool
) -> None:
    if mapping is None:
        raise TracelogError(
            _(
                "a spreadsheet is read by a mapping that was kept in the browser;"
                " name it with --mapping NAME"
            )
        )
    with opened_database() as engine:
        done = load_file(
            engine,
            path,
            mapping,
            command_actor("import"),
            now(),
            keep_good=keep_good,
            dry_run=dry_run,
        )
        if done.is_kept:
            bring_up_to_date(engine, now())
    found = done.found
    faults = [(row.row, field, told) for row in found.bad for field, told in row.faults]
    if as_json:
        content = {"file": str(path), "written": done.is_kept, "rows": found.rows}
        told = [{"row": row, "column": field, "sentence": s} for row, field, s in faults]
        print_json({**content, "left_out": found.left_out, "became": found.became, "faults": told})
    else:
        print_table([_("What became of them"), _("Rows")], list(found.became.items()))
        click.echo(_kept_words(done.is_kept, dry_run))
    sentences = [str(LocatedFault(path.name, row, field, told)) for row, field, told in faults]
    if sentences and not done.is_kept:
        fail(iter(sentences))
    for sentence in sentences:
        click.echo(sentence, err=True)


def _kept_words(is_kept: bool, dry_run: bool) -> str:
    if is_kept:
        return _("Imported.")
    return _("Only looked; nothing was written.") if dry_run else _("Nothing was written.")


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


def _as_json(folder: Path, done: Imported) -> dict[str, Any]:
    return {
        "folder": str(folder),
        "written": done.is_kept,
        "files": [file.as_json() for file in done.report.files],
        "seeded_defect_types": done.report.seeded_defect_types,
        "rejected": [path.name for path in done.rejected],
        "faults": [
            {"file": f.file, "line": f.line, "column": f.column, "sentence": f.sentence}
            for f in done.report.faults
        ],
    }


def _print_report(done: Imported, dry_run: bool) -> None:
    report = done.report
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
    for path in done.rejected:
        click.echo(_("Rejected rows, with reasons: %(path)s", path=path))
    click.echo(_kept_words(done.is_kept, dry_run))


@click.command("export")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@json_option
def export_folder(folder: Path, as_json: bool) -> None:
    """Export everything as a plant folder, which an import takes back unchanged.

    Example: tracelog export my-plant/
    """
    with opened_database() as engine:
        rows = write_folder(engine, folder)
    if as_json:
        print_json({"folder": str(folder), "files": rows})
    else:
        print_table([_("File"), _("Rows")], rows.items())
