"""Reads of the audit trail."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.orm import Session

from tracelog.audit import (
    NO_PREVIOUS,
    Actor,
    AuditRecord,
    erased_contents,
    record_content,
    record_hash,
)
from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.people.trail.rules import Altered, altered

MOST_WORDS = 8
# Records held at once while a file is written.
_AT_ONCE = 500


@dataclass(frozen=True)
class TrailFilter:
    """Which records are meant.

    Attributes:
        words: each must stand in what was done, or in what it was done to; case does not matter.
        who: who acted, the whole name.
        door: by which door.
        kind: kind of what it was done to, such as ``entry``.
        start, end: UTC; written from `start` on and before `end`.
    """

    words: tuple[str, ...] = ()
    who: str | None = None
    door: str | None = None
    kind: str | None = None
    start: datetime | None = None
    end: datetime | None = None


@dataclass(frozen=True)
class RecordView:
    """One record, with the values that it altered; instants in UTC.

    `content` is the text whose SHA-256 is the hash, if nobody altered the record.
    """

    sequence: int
    id: str
    at: datetime
    who: str
    door: str
    action: str
    kind: str
    subject: str
    before: str | None
    after: str | None
    previous_hash: str
    hash: str
    content: str

    @property
    def altered(self) -> list[Altered]:
        """The values that differ before and after."""
        return altered(self.before, self.after)


@dataclass(frozen=True)
class Checked:
    """One record, and whether it is what was written."""

    record: RecordView
    # Also where an erasing says that these are its words now.
    is_as_written: bool
    follows: bool
    is_erased: bool = False


def trail(
    session: Session, wanted: TrailFilter, most: int, before: int | None = None
) -> list[RecordView]:
    """Records, the newest first. One statement.

    Args:
        session: an open session.
        wanted: which.
        most: at most so many.
        before: only those with a lower number.
    """
    asked = select(AuditRecord).where(*_conditions(wanted))
    if before is not None:
        asked = asked.where(AuditRecord.sequence < before)
    rows = session.execute(asked.order_by(AuditRecord.sequence.desc()).limit(most)).scalars()
    return [_view(row) for row in rows]


def whole_trail(session: Session, wanted: TrailFilter) -> Iterator[RecordView]:
    """All records of a filter in the order of the chain, few of them in memory at a time."""
    asked = select(AuditRecord).where(*_conditions(wanted)).order_by(AuditRecord.sequence)
    for row in session.execute(asked.execution_options(yield_per=_AT_ONCE)).scalars():
        yield _view(row)
        session.expunge(row)


def checked_record(session: Session, sequence: int) -> Checked:
    """One record, checked against its own content and the record before it.

    Raises:
        NotFound: there is no such record.
    """
    asked = select(AuditRecord).where(AuditRecord.sequence.in_((sequence - 1, sequence)))
    found = {row.sequence: row for row in session.execute(asked).scalars()}
    if sequence not in found:
        raise NotFound(_("there is no audit record %(number)d", number=sequence))
    record, earlier = found[sequence], found.get(sequence - 1)
    expected = NO_PREVIOUS if sequence == 1 else earlier.hash if earlier else None
    return Checked(
        _view(record),
        record_hash(record) in (record.hash, erased_contents(session).get(sequence)),
        record.previous_hash == expected,
        record.hash != record_hash(record),
    )


def _conditions(wanted: TrailFilter) -> list[ColumnElement[bool]]:
    where: list[ColumnElement[bool]] = []
    for word in wanted.words[:MOST_WORDS]:
        columns: tuple[Any, ...] = (AuditRecord.action, AuditRecord.subject)
        columns += (AuditRecord.before, AuditRecord.after)
        where.append(or_(*(column.icontains(word, autoescape=True) for column in columns)))
    for column, value in (
        (AuditRecord.actor, wanted.who),
        (AuditRecord.door, wanted.door),
        (AuditRecord.subject_kind, wanted.kind),
    ):
        if value is not None:
            where.append(column == value)
    if wanted.start is not None:
        where.append(AuditRecord.at >= wanted.start)
    if wanted.end is not None:
        where.append(AuditRecord.at < wanted.end)
    return where


def _view(row: AuditRecord) -> RecordView:
    return RecordView(
        *(row.sequence, str(row.id), row.at, row.actor, row.door, row.action),
        *(row.subject_kind, row.subject, row.before, row.after, row.previous_hash, row.hash),
        record_content(row),
    )


def wrote_since(session: Session, actor: Actor, since: datetime) -> bool:
    """Whether somebody wrote anything at or after an instant (UTC).

    That a token was used is written with what it was used for, and is nothing that it wrote.
    """
    found = select(AuditRecord.id).where(
        AuditRecord.at >= since, AuditRecord.actor == actor.name, AuditRecord.action != "use token"
    )
    return session.execute(found.limit(1)).first() is not None
