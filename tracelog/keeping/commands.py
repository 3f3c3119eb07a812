"""The commands `tracelog backup` and `tracelog restore`."""

import os
from pathlib import Path

import click

from tracelog.config import load_settings
from tracelog.db import make_engine
from tracelog.errors import TracelogError
from tracelog.instants import now, write_instant
from tracelog.keeping.actions import restore as put_back
from tracelog.keeping.archive import Manifest, reading_archive
from tracelog.keeping.last import LastBackup, remember
from tracelog.keeping.making import back_up, place_in, thin_out
from tracelog.keeping.scheduled import make_scheduled
from tracelog.language import _
from tracelog.terminal import json_option, open_database, print_json, print_table


@click.command()
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option(
    "--keep",
    type=click.IntRange(min=1),
    help="FILE is a folder: put a backup named by its time there, and keep so many.",
)
@click.option(
    "--scheduled",
    is_flag=True,
    help="Make the backup of the day, as the settings say, if it is due; else do nothing.",
)
@json_option
def backup(file: Path | None, keep: int | None, scheduled: bool, as_json: bool) -> None:
    """Write everything into one archive FILE while others go on working.

    It holds the whole database with pictures and accounts (passwords as hashes only), and no
    secret of the installation. The archive is read again before it counts as good. Keep it as
    safe as the database itself.

    Example: tracelog backup tracelog-monday.zip   or   tracelog backup /srv/backups --keep 14
    or   tracelog backup --scheduled
    """
    if scheduled:
        if file is not None or keep is not None:
            raise click.UsageError("--scheduled takes folder and number from the settings alone")
        _back_up_as_scheduled(as_json)
        return
    if file is None:
        raise click.UsageError("name a FILE, or --scheduled")
    if keep is None and file.is_dir():
        raise click.UsageError(f"{file} is a folder; name a file, or say how many to --keep there")
    settings, moment = load_settings(), now()
    if keep is not None:
        try:
            file.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise TracelogError(
                _("the folder %(path)s cannot be made: %(why)s", path=file, why=problem.strerror)
            ) from problem
    path = file if keep is None else place_in(file, moment)
    manifest = back_up(open_database(settings), path, settings, moment)
    with reading_archive(path):
        remember(settings.data_dir, LastBackup(moment, str(path.resolve())))
    gone = [] if keep is None else thin_out(file, keep)
    if as_json:
        print_json({**_answer(path, manifest), "removed": [str(one) for one in gone]})
        return
    _show(manifest)
    click.echo(_("Written and read again: %(path)s", path=path))
    for one in gone:
        click.echo(_("Removed: %(path)s", path=one))


def _back_up_as_scheduled(as_json: bool) -> None:
    settings = load_settings()
    if not settings.backup_folder:
        raise TracelogError(
            _("no backups are scheduled; set TRACELOG_BACKUP_FOLDER to the folder they go to")
        )
    if hasattr(os, "nice"):
        os.nice(10)  # people at their pages come first
    made = make_scheduled(open_database(settings), settings, now())
    if as_json:
        removed = [str(one) for one in made.removed] if made else []
        print_json({"file": str(made.path) if made else None, "removed": removed})
    elif made is None:
        click.echo(_("No backup is due now."))
    else:
        click.echo(_("Written and read again: %(path)s", path=made.path))
        for one in made.removed:
            click.echo(_("Removed: %(path)s", path=one))


@click.command()
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--look", is_flag=True, help="Only look whether it is whole; write nothing.")
@json_option
def restore(file: Path, look: bool, as_json: bool) -> None:
    """Put everything from the archive FILE into an empty database, of SQLite or PostgreSQL.

    TRACELOG_DATABASE_URL names the database; one that holds something already is left alone. An
    archive that is incomplete or was altered is refused before anything is written. To move from
    SQLite to PostgreSQL, back up from the one and restore into the other.

    Example: tracelog restore tracelog-monday.zip
    """
    if look:
        with reading_archive(file) as archive:
            manifest = archive.manifest
    else:
        engine = make_engine(load_settings().database_url)
        try:
            manifest = put_back(engine, file)
        finally:
            engine.dispose()
    if as_json:
        print_json({**_answer(file, manifest), "restored": not look})
        return
    _show(manifest)
    click.echo(_("The backup is whole.") if look else _("Restored. Sign in as before."))


def _answer(path: Path, manifest: Manifest) -> dict[str, object]:
    return {
        "file": str(path),
        "made_at": manifest.made_at,
        "plant": manifest.plant,
        "revision": manifest.revision,
        "settings": manifest.settings,
        "tables": {one.name: one.rows for one in manifest.tables},
    }


def _show(manifest: Manifest) -> None:
    print_table(
        [_("Table"), _("Rows")],
        [(one.name, one.rows) for one in manifest.tables if one.rows],
        title=_(
            "%(plant)s, as of %(at)s",
            plant=manifest.plant or _("no plant yet"),
            at=write_instant(manifest.made_at),
        ),
    )
