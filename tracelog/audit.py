"""The audit trail: who did what, when, by which door, before and after, chained by hash.

Every action appends exactly one record in its own transaction; a record's hash covers its
content and the hash before it, so that a changed, removed or inserted record breaks the chain.
"""

import hashlib
import json
import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from enum import Enum
from types import SimpleNamespace
from typing import Any, cast

from sqlalchemy import BigInteger, Index, String, Text, bindparam, func, insert, select
from sqlalchemy.orm import Mapped, Session, defer, mapped_column
from sqlalchemy.orm.attributes import set_committed_value

from tracelog.db import Base, new_id
from tracelog.seals.checking import seal_hashes
from tracelog.seals.queries import NO_PREVIOUS, has_seals, last_seal, wait_for_turn

# The action of a record that says which earlier ones have other words since.
ERASURE = "erase person"

__all__ = [
    "ERASURE",
    "NO_PREVIOUS",
    "Actor",
    "AuditRecord",
    "Position",
    "Subject",
    "Write",
    "append",
    "append_each",
    "as_json",
    "last_position",
    "only_wrote",
    "take_turn",
]


class AuditRecord(Base):
    """One write."""

    __tablename__ = "audit_records"
    __table_args__ = (Index("ix_audit_records_subject", "subject_kind", "subject"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    sequence: Mapped[int] = mapped_column(BigInteger, unique=True)

    # Who, when, from where.
    actor: Mapped[str] = mapped_column(String(120), index=True)
    door: Mapped[str] = mapped_column(String(20))
    at: Mapped[datetime] = mapped_column(index=True)

    # What, before and after (JSON with sorted keys).
    action: Mapped[str] = mapped_column(String(60))
    subject_kind: Mapped[str] = mapped_column(String(40))
    subject: Mapped[str] = mapped_column(String(200))
    before: Mapped[str | None] = mapped_column(Text)
    after: Mapped[str | None] = mapped_column(Text)

    # The last seal of rows before this record; None: written before there were any.
    sealed: Mapped[str | None] = mapped_column(String(64))

    # The chain.
    previous_hash: Mapped[str] = mapped_column(String(64))
    hash: Mapped[str] = mapped_column(String(64))


@dataclass(frozen=True)
class Actor:
    """Who acts, and by which door: ``page``, ``api``, ``command``, ``import`` or ``mqtt``.

    `by_pin`: they proved who they are by a PIN at a shared tablet, which opens less. `scopes`: the
    permissions to which a program's token was narrowed; None: all of the role's.
    """

    name: str
    role: str
    door: str
    account_id: uuid.UUID | None = None
    by_pin: bool = False
    scopes: frozenset[str] | None = None


@dataclass(frozen=True)
class Subject:
    """What an action is about: its kind (``entry``, ``tool fit``…) and which one."""

    kind: str
    name: str


@dataclass(frozen=True)
class Position:
    """A place in the trail: number and hash of the record that was the last one; 0: none was."""

    sequence: int
    hash: str


@dataclass(frozen=True)
class Write:
    """One write to be recorded; the fields are the arguments of `append`."""

    actor: Actor
    at: datetime
    action: str
    subject: Subject
    before: Mapping[str, Any] | None = None
    after: Mapping[str, Any] | None = None


def as_json(values: Mapping[str, Any] | None) -> str | None:
    """Values of a record as JSON that is always the same text for the same content."""
    if values is None:
        return None
    return json.dumps(values, sort_keys=True, ensure_ascii=False, default=_plain)


def _plain(value: object) -> object:
    if isinstance(value, datetime):
        return value.astimezone(UTC).replace(tzinfo=None).isoformat() + "Z"
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return dict(value)
    return str(value)


def record_content(record: AuditRecord) -> str:
    """What a record's hash is taken of: the hash before it and its own content, a JSON array."""
    content = [
        record.previous_hash,
        record.sequence,
        str(record.id),
        record.actor,
        record.door,
        record.at.astimezone(UTC).isoformat(),
        record.action,
        record.subject_kind,
        record.subject,
        record.before,
        record.after,
        # Records of the time before there were seals end here.
        *([] if record.sealed is None else [record.sealed]),
    ]
    return json.dumps(content, ensure_ascii=False)


def record_hash(record: AuditRecord) -> str:
    """The hash that a record must have (SHA-256, in hex)."""
    return hashlib.sha256(record_content(record).encode()).hexdigest()


def take_turn(session: Session) -> None:
    """Wait until no other transaction is writing; whoever comes next waits for this one.

    An action that looks whether a row is there before it writes calls this first, so that two
    people who send the same thing at once do not both find it missing. On SQLite a session that
    writes has its turn from the start.
    """
    wait_for_turn(session.connection())


def append(
    session: Session,
    actor: Actor,
    at: datetime,
    action: str,
    subject: Subject,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
) -> uuid.UUID:
    """Add the record of a write to the chain, in the caller's transaction.

    Args:
        session: an open session that writes; records are appended one at a time over all
            processes until its transaction ends.
        actor: who acts.
        at: when, UTC.
        action: what was done, in a few words such as ``log entry``.
        subject: what it was done to.
        before: values before the write, None where there were none.
        after: values after the write; for many rows their count and digest.

    Returns:
        The record's id, kept on the rows that the write made.
    """
    return append_each(session, [Write(actor, at, action, subject, before, after)])[0]


def append_each(session: Session, writes: Sequence[Write]) -> list[uuid.UUID]:
    """Add a record for each of several writes, in their order, in the caller's transaction.

    Args:
        session: as for `append`.
        writes: at least one.

    Returns:
        The records' ids, in the same order.
    """
    take_turn(session)
    session.flush()
    last, sealed = last_position(session), last_seal(session.connection())[1]
    rows = []
    for write in writes:
        row: dict[str, Any] = {
            "id": new_id(),
            "sequence": last.sequence + 1,
            "actor": write.actor.name[:120],
            "door": write.actor.door,
            "at": write.at,
            "action": write.action,
            "subject_kind": write.subject.kind,
            "subject": write.subject.name[:200],
            "before": as_json(write.before),
            "after": as_json(write.after),
            "sealed": sealed,
            "previous_hash": last.hash,
        }
        row["hash"] = record_hash(cast(AuditRecord, SimpleNamespace(**row)))
        last = Position(row["sequence"], row["hash"])
        rows.append(row)
    session.connection().execute(insert(AuditRecord), rows)
    return [row["id"] for row in rows]


# Put together once, since every write asks them.
_LAST = (
    select(AuditRecord.sequence, AuditRecord.hash).order_by(AuditRecord.sequence.desc()).limit(1)
)
_SINCE = (
    select(AuditRecord.sequence, AuditRecord.hash, AuditRecord.action)
    .where(AuditRecord.sequence >= bindparam("since"))
    .order_by(AuditRecord.sequence)
)


def last_position(session: Session) -> Position:
    """Where the trail ends, as the session sees it. One statement."""
    last = session.execute(_LAST).first()
    return Position(last.sequence, last.hash) if last else Position(0, NO_PREVIOUS)


def only_wrote(
    session: Session, since: Position, actions: Collection[str]
) -> tuple[bool, Position]:
    """Whether the trail went on from a position by records of these actions alone.

    One statement. A trail that does not hold the position any more, as after a restore, did not.

    Returns:
        Whether it did, and where it ends now.
    """
    rows = session.execute(_SINCE, {"since": since.sequence}).all()
    last = Position(rows[-1].sequence, rows[-1].hash) if rows else Position(0, NO_PREVIOUS)
    if since.sequence:
        if not rows or (rows[0].sequence, rows[0].hash) != (since.sequence, since.hash):
            return False, last
        rows = rows[1:]
    return all(row.action in actions for row in rows), last


def erased_contents(session: Session) -> dict[int, str]:
    """The records from which a name was erased: number to the SHA-256 of what they say now.

    The latest erasing counts. One that was altered itself says nothing.
    """
    found: dict[int, str] = {}
    asked = select(AuditRecord).where(AuditRecord.action == ERASURE)
    for record in session.execute(asked.order_by(AuditRecord.sequence.desc())).scalars():
        own = record_hash(record)
        if own in (record.hash, found.get(record.sequence)):
            for number, content in json.loads(record.after or "{}").get("records", {}).items():
                found.setdefault(int(number), content)
    return found


def broken_links(session: Session) -> list[str]:
    """What is wrong with the chain: one sentence for each record that does not follow."""
    found: list[str] = []
    previous, expected = NO_PREVIOUS, 1
    seals = seal_hashes(session.connection())
    asked = select(AuditRecord).order_by(AuditRecord.sequence)
    has = has_seals(session.connection())
    if not has:
        # A backup of older tables that is being put back.
        asked = asked.options(defer(AuditRecord.sealed))
    erased = erased_contents(session) if has else {}
    rows = session.execute(asked.execution_options(yield_per=2000)).scalars()
    for record in rows:
        if not has:
            set_committed_value(record, "sealed", None)
        if record.sequence != expected:
            found.append(f"audit record {expected} is missing before record {record.sequence}")
        elif record.previous_hash != previous:
            found.append(f"audit record {record.sequence} does not follow the one before it")
        if record_hash(record) not in (record.hash, erased.get(record.sequence)):
            found.append(f"audit record {record.sequence} was altered after it was written")
        elif record.sealed is not None and record.sealed not in seals:
            found.append(f"audit record {record.sequence} names a seal of rows that is gone")
        previous, expected = record.hash, record.sequence + 1
        session.expunge(record)
    return found


def count(session: Session) -> int:
    """How many records the trail holds."""
    return session.execute(select(func.count()).select_from(AuditRecord)).scalar_one()
