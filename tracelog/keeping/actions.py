"""Restoring a backup into an empty database of either engine."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, column, insert, inspect, table
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from tracelog.audit import broken_links
from tracelog.bulk import pieces
from tracelog.db import known_revisions, revision_of, upgrade, writing
from tracelog.errors import Conflict, TracelogError
from tracelog.keeping.archive import Archive, Manifest, TableInArchive, reading_archive
from tracelog.keeping.making import rows_in
from tracelog.keeping.values import read, type_of
from tracelog.language import _
from tracelog.people.session_actions import forget_sessions
from tracelog.schema import metadata
from tracelog.strokes.models import Reading
from tracelog.strokes.partition_actions import make_parts
from tracelog.strokes.partitions import month_of

_AT_ONCE = 2000


def restore(engine: Engine, path: Path) -> Manifest:
    """Put everything from an archive into an empty database, whole or not at all.

    An archive of older tables is put into tables of its own version, which are then brought up to
    this one's.

    Args:
        engine: a database without tables, or with none but empty ones.
        path: of the archive.

    Raises:
        Conflict: the database holds something already.
        TracelogError: the archive is incomplete, altered, or of a later version.
    """
    with reading_archive(path) as archive:
        revision = archive.manifest.revision
        if revision not in known_revisions(engine):
            raise TracelogError(
                _(
                    "%(path)s is of tables '%(revision)s', which this version does not know;"
                    " restore it with the version that made it, or a later one",
                    path=path,
                    revision=revision,
                )
            )
        _prepare(engine, revision)
        with writing(engine) as session:
            if rows_in(session):
                raise _not_empty()
            _fill(session, archive, path)
            session.flush()
            # References are held by the tables themselves.
            wrong = broken_links(session)
            if wrong:
                raise TracelogError(
                    _(
                        "%(path)s was altered, so nothing was restored: %(why)s",
                        path=path,
                        why=wrong[0],
                    )
                )
    upgrade(engine)
    with writing(engine) as session:
        forget_sessions(session)
    return archive.manifest


def _prepare(engine: Engine, revision: str) -> None:
    if not inspect(engine).has_table("alembic_version"):
        upgrade(engine, revision)
    else:
        with engine.connect() as connection:
            there = revision_of(connection)
        if there != revision:
            raise Conflict(
                _(
                    "the database has tables of version '%(there)s' already and the backup is of"
                    " '%(revision)s'; set TRACELOG_DATABASE_URL to a database without any",
                    there=there,
                    revision=revision,
                )
            )


def _not_empty() -> Conflict:
    return Conflict(
        _(
            "the database holds something already; set TRACELOG_DATABASE_URL to an empty one, so"
            " that nothing is lost"
        )
    )


def _fill(session: Session, archive: Archive, path: Path) -> None:
    known = {one.name for one in metadata.sorted_tables}
    connection = session.connection()
    for one in archive.manifest.tables:
        if one.name not in known:
            raise TracelogError(_("there is no table '%(name)s'", name=one.name))
        try:
            count = _load(connection, one, archive.rows(one))
        except (DBAPIError, ValueError, TypeError, KeyError) as problem:
            raise TracelogError(
                _(
                    "table %(name)s of %(path)s cannot be restored, so nothing was: %(why)s",
                    name=one.name,
                    path=path,
                    why=str(problem).splitlines()[0],
                )
            ) from problem
        if count != one.rows:
            raise TracelogError(_("table %(name)s has rows missing", name=one.name))


def _load(connection: Connection, one: TableInArchive, rows: Iterator[list[Any]]) -> int:
    columns = [column(name, type_of(kind)) for name, kind in one.columns]
    statement = insert(table(one.name, *columns))
    names = [name for name, _kind in one.columns]
    ready = read([kind for _name, kind in one.columns])
    count = 0
    for piece in pieces(rows, _AT_ONCE):
        values = [dict(zip(names, ready(row), strict=True)) for row in piece]
        if one.name == Reading.__tablename__:
            instants = (row.get("read_at") for row in values)
            make_parts(connection, {month_of(at) for at in instants if isinstance(at, datetime)})
        connection.execute(statement, values)
        count += len(values)
    return count
