"""Writes of retiring: a month's readings go out of the table, and what counts go on from stays."""

import logging
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import cast

from sqlalchemy import Connection, Table, delete, insert
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append
from tracelog.bulk import pieces
from tracelog.seals.release_actions import releasing
from tracelog.strokes.hours import instant
from tracelog.strokes.models import CarriedCounter, Reading, RetiredMonth
from tracelog.strokes.partitions import REST, is_divided, month_of, part_of, parts
from tracelog.strokes.retired import digest_of_hours
from tracelog.strokes.retiring import Carry
from tracelog.strokes.rules import Whole

_log = logging.getLogger(__name__)
_READINGS = cast(Table, Reading.__table__)
_INSTANTS_AT_ONCE = 5000
_COLUMNS = "machine_id, read_at, strokes, audit_id"


@dataclass(frozen=True)
class Exported:
    """A month that is in a file: first instant and end (UTC), the file, its rows and SHA-256."""

    month: datetime
    ends_at: datetime
    file: str
    rows: int
    sha256: str


@dataclass(frozen=True)
class Leaving:
    """What leaves the table: digests by audit record, and by machine those that do not count.

    `uncounted` are instants, microseconds since 1970, of readings found misread that lie among
    those that stay.
    """

    digests: Mapping[uuid.UUID, Sequence[bytes]]
    uncounted: Mapping[uuid.UUID, Whole]


def retire(
    session: Session,
    done: Exported,
    carries: Mapping[uuid.UUID, Carry],
    leaving: Leaving,
    who: tuple[Actor, datetime],
) -> uuid.UUID:
    """Take a month's readings out of the table, and remember what is left of them.

    Args:
        session: an open session that writes and has its turn; the caller commits.
        done: the month as it is in its file, which was read again.
        carries: from `retiring.carry_over` for the month's end.
        leaving: what is taken out.
        who: who retires it, and when, UTC.

    Returns:
        The id of the audit record.

    Raises:
        TracelogError: a reading is not as it was written.
    """
    actor, now = who
    gone = sum(len(digests) for digests in leaving.digests.values())
    after = {"file": done.file, "rows": done.rows, "sha256": done.sha256, "taken_out": gone}
    subject = Subject("readings", f"{done.month:%Y-%m}")
    audit_id = append(session, actor, now, "retire readings", subject, None, after)
    connection = session.connection()
    with releasing(connection, _READINGS, leaving.digests):
        if is_divided(connection):
            _drop_part(connection, done.month, carries)
        for machine, carry in carries.items():
            mine = Reading.machine_id == machine
            session.execute(delete(_READINGS).where(mine, Reading.read_at < carry.read_from))
            instants = leaving.uncounted.get(machine)
            for piece in pieces([] if instants is None else instants.tolist(), _INSTANTS_AT_ONCE):
                moments = [instant(one) for one in piece]
                session.execute(delete(_READINGS).where(mine, Reading.read_at.in_(moments)))
    session.execute(
        insert(RetiredMonth).values(
            month=done.month,
            ends_at=done.ends_at,
            file=done.file,
            rows=done.rows,
            sha256=done.sha256,
            audit_id=audit_id,
        )
    )
    _carry_on(session, carries, audit_id)
    return audit_id


def _carry_on(session: Session, carries: Mapping[uuid.UUID, Carry], audit_id: uuid.UUID) -> None:
    for machine, carry in carries.items():
        hours, digest = digest_of_hours(session, machine, carry.hour_at)
        session.merge(
            CarriedCounter(
                machine_id=machine,
                first_at=carry.first_at,
                last_at=carry.last_at,
                hour_at=carry.hour_at,
                read_from=carry.read_from,
                strokes_before=carry.strokes_before,
                hours=hours,
                hours_sha256=digest,
                audit_id=audit_id,
            )
        )
    session.flush()


def _drop_part(connection: Connection, month: datetime, carries: Mapping[uuid.UUID, Carry]) -> None:
    """Drop the month's part after moving what stays to the rest, if nobody asks it just now.

    The lock is not waited for: whoever asks readings may be waiting for this turn. Without it the
    rows are deleted one by one, and the empty part goes the next time.
    """
    name = part_of(month)
    if name not in parts(connection):
        return
    try:
        with connection.begin_nested():
            connection.exec_driver_sql("LOCK TABLE readings IN ACCESS EXCLUSIVE MODE NOWAIT")
            connection.exec_driver_sql(f"ALTER TABLE readings DETACH PARTITION {name}")
            # Ids and instants of ours, and nothing from outside.
            stays = [
                f"(machine_id = '{machine}' AND read_at >= '{carry.read_from.isoformat()}')"
                for machine, carry in carries.items()
            ]
            others = ", ".join(f"'{machine}'" for machine in carries)
            if others:
                stays.append(f"machine_id NOT IN ({others})")
            connection.exec_driver_sql(
                f"INSERT INTO {REST} ({_COLUMNS}) SELECT {_COLUMNS} FROM {name}"  # noqa: S608
                f" WHERE {' OR '.join(stays) or 'true'}"
            )
            connection.exec_driver_sql(f"DROP TABLE {name}")
    except DBAPIError as problem:
        _log.info("%s is emptied row by row: %s", name, type(problem.orig).__name__)


def drop_empty_parts(session: Session, until: datetime) -> list[str]:
    """Drop the parts of retired months that hold nothing any more.

    Args:
        session: an open session that writes and has its turn; the caller commits.
        until: the end of the last month that was retired.

    Returns:
        Names of the parts that were dropped; none on SQLite.
    """
    connection = session.connection()
    if not is_divided(connection):
        return []
    kept = {part_of(month_of(until)), REST}
    old = sorted(one for one in parts(connection) - kept if one < part_of(until))
    dropped = []
    for name in old:
        filled = connection.exec_driver_sql(f"SELECT 1 FROM {name} LIMIT 1").first()  # noqa: S608
        if filled is not None:
            continue
        try:
            with connection.begin_nested():
                connection.exec_driver_sql("LOCK TABLE readings IN ACCESS EXCLUSIVE MODE NOWAIT")
                connection.exec_driver_sql(f"DROP TABLE {name}")
        except DBAPIError:
            continue
        dropped.append(name)
    return dropped
