"""Whether the database is whole: audit trail, rows, references, and what is derived."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Column, Table, func, select, text
from sqlalchemy.orm import Session

from tracelog.audit import broken_links
from tracelog.db import LEADS_TO
from tracelog.defects.actions import rebuild_entries
from tracelog.defects.photos.queries import broken_photos
from tracelog.errors import NoPlant
from tracelog.language import _
from tracelog.plant.queries import the_plant
from tracelog.schema import metadata
from tracelog.seals.actions import settle
from tracelog.seals.checking import broken_seals
from tracelog.seals.rules import DERIVED_TABLES as DERIVED
from tracelog.strokes.actions import rebuild_strokes
from tracelog.strokes.retired import broken_hours
from tracelog.trends.signals.actions import catch_up, rebuild_signals


@dataclass(frozen=True)
class Integrity:
    """What is wrong with the database, one sentence each.

    `derived` is what the derived tables said before they were made anew.
    """

    audit: list[str] = field(default_factory=list)
    rows: list[str] = field(default_factory=list)
    references: list[str] = field(default_factory=list)
    derived: list[str] = field(default_factory=list)
    rebuilt: bool = False

    @property
    def is_whole(self) -> bool:
        """Whether everything is right now."""
        found = self.audit or self.rows or self.references
        return not (found or (self.derived and not self.rebuilt))

    def as_json(self) -> dict[str, Any]:
        """All findings."""
        return {"whole": self.is_whole} | asdict(self)


def look_over(session: Session, now: datetime, *, rebuild: bool) -> Integrity:
    """Look over the whole database, making the derived tables anew to compare them.

    The caller keeps what was made anew by committing, or leaves everything as it was by rolling
    back.

    Args:
        session: an open session that writes.
        now: UTC.
        rebuild: whether the caller will commit.
    """
    settle(session)
    audit, rows = broken_links(session), broken_seals(session.connection())
    rows += broken_hours(session)
    references = [*broken_references(session), *broken_photos(session)]
    try:
        the_plant(session)
    except NoPlant:
        return Integrity(audit, rows, references)
    # What is only not worked out yet is not wrong.
    catch_up(session, now)
    with _kept_aside(session):
        rebuild_strokes(session, None, now)
        rebuild_entries(session)
        session.flush()
        rebuild_signals(session)
        derived = [sentence for name in DERIVED for sentence in _difference(session, name)]
    return Integrity(audit, rows, references, derived, rebuild)


def broken_references(session: Session) -> list[str]:
    """Rows that lead to a row that is not there: one sentence for each column with such rows."""
    found = []
    for table in metadata.sorted_tables:
        for column, target in _references(table):
            count = session.execute(_orphans(table, column, target)).scalar_one()
            if count:
                found.append(
                    _(
                        "%(count)d rows of %(table)s have a %(column)s that leads nowhere",
                        count=count,
                        table=table.name,
                        column=column.name,
                    )
                )
    return found


def _references(table: Table) -> Iterator[tuple[Column[Any], Column[Any]]]:
    """Columns that lead to others, by a constraint or without one."""
    for key in table.foreign_keys:
        yield key.parent, key.column
    for column in table.columns:
        if LEADS_TO in column.info:
            target, name = column.info[LEADS_TO].split(".")
            yield column, metadata.tables[target].c[name]


def _orphans(table: Table, column: Column[Any], target: Column[Any]) -> Any:
    there = target.table.alias("there")
    return (
        select(func.count())
        .select_from(table.outerjoin(there, column == there.c[target.name]))
        .where(column.is_not(None), there.c[target.name].is_(None))
    )


@contextmanager
def _kept_aside(session: Session) -> Iterator[None]:
    """Copies of the derived tables as they are now, for the length of the block."""
    for name in DERIVED:
        session.execute(text(f"CREATE TEMPORARY TABLE before_{name} AS SELECT * FROM {name}"))  # noqa: S608
    yield
    for name in DERIVED:
        session.execute(text(f"DROP TABLE before_{name}"))


def _difference(session: Session, name: str) -> Iterator[str]:
    wrong = _only_in(session, f"before_{name}", name)
    missing = _only_in(session, name, f"before_{name}")
    if wrong or missing:
        yield _(
            "%(table)s: %(wrong)d rows were not what the facts say, and %(missing)d rows that the"
            " facts say were not there",
            table=name,
            wrong=wrong,
            missing=missing,
        )


def _only_in(session: Session, one: str, other: str) -> int:
    counted = text(
        f"SELECT count(*) FROM (SELECT * FROM {one} EXCEPT SELECT * FROM {other}) AS differing"  # noqa: S608
    )
    return int(session.execute(counted).scalar_one())
