"""Making a backup while others go on writing, and which backups to keep."""

import re
from collections.abc import Iterator
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, Table, func, inspect, select
from sqlalchemy.orm import Session

from tracelog.config import Settings
from tracelog.db import reading_one_moment, revision_of
from tracelog.keeping.archive import FORMAT, Kind, Manifest, writing_archive
from tracelog.keeping.values import kind_of, written
from tracelog.plant.models import Plant
from tracelog.schema import metadata

_AT_ONCE = 2000
NAMED = re.compile(r"tracelog-\d{8}T\d{6}Z\.zip")


def back_up(engine: Engine, path: Path, settings: Settings, now: datetime) -> Manifest:
    """Write everything in the database, as of one moment, into one archive.

    Nobody waits for it: both engines show a reader one state while others write.

    Args:
        engine: the database.
        path: of the archive; one that is there is replaced when the new one is whole.
        settings: of the installation; what is secret is left out.
        now: UTC.

    Raises:
        TracelogError: the archive cannot be written.
    """
    with reading_one_moment(engine) as session, writing_archive(path) as archive:
        plant = session.execute(select(Plant.name).order_by(Plant.id).limit(1)).scalar()
        for table in metadata.sorted_tables:
            columns = [(column.name, kind_of(column)) for column in table.columns]
            archive.add(table.name, columns, _rows(session, table, [kind for _n, kind in columns]))
        manifest = Manifest(
            format=FORMAT,
            made_at=now,
            revision=revision_of(session.connection()),
            program=version("tracelog"),
            plant=plant,
            settings={"engine": engine.dialect.name, **settings.told()},
            tables=archive.tables,
        )
        archive.finish(manifest)
    return manifest


def _rows(session: Session, table: Table, kinds: list[Kind]) -> Iterator[list[Any]]:
    asked = select(table).order_by(*table.primary_key.columns)
    found = session.execute(asked.execution_options(yield_per=_AT_ONCE))
    ready = written(kinds)
    for row in found:
        yield ready(tuple(row))


def rows_in(session: Session) -> int:
    """Rows of all tables together, those of older tables too."""
    there = set(inspect(session.connection()).get_table_names())
    counts = (
        session.execute(select(func.count()).select_from(table)).scalar_one()
        for table in metadata.sorted_tables
        if table.name in there
    )
    return sum(counts)


def place_in(folder: Path, now: datetime) -> Path:
    """The path of a backup made now in a folder of backups."""
    return folder / f"tracelog-{now:%Y%m%dT%H%M%S}Z.zip"


def thin_out(folder: Path, keep: int) -> list[Path]:
    """Remove the oldest backups of a folder but so many; other files are left alone.

    Returns:
        What was removed.
    """
    ours = sorted(path for path in folder.iterdir() if NAMED.fullmatch(path.name))
    gone = ours[: max(len(ours) - keep, 0)]
    for path in gone:
        path.unlink()
    return gone
