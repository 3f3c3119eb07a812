"""Writes of the messages that could not be taken. They are no facts: they are counted, and go."""

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import delete, insert, select, update
from sqlalchemy.orm import Session
from sqlalchemy.sql.elements import ColumnElement

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.db import new_id
from tracelog.intake.models import RejectedMessage
from tracelog.intake.reject_rules import Key, Reject, Tally, minute_of, tallied

KEPT_DAYS = 90
_KEY = ("source", "topic", "minute_at", "payload_sha256")


def record_rejects(session: Session, rejects: Sequence[Reject]) -> None:
    """Keep messages that could not be taken, each once for its topic and minute, and counted.

    They leave no audit record: whoever can send may send rubbish, and would fill the trail.

    Args:
        session: an open session that writes; the caller commits.
        rejects: in order of arrival.
    """
    if not rejects:
        return
    take_turn(session)
    minutes = {minute_of(reject.origin.arrived_at) for reject in rejects}
    before = _on_record(session, {reject.origin.source for reject in rejects}, minutes)
    fresh = []
    for key, tally in tallied(rejects, before).items():
        if key not in before:
            fresh.append(_row(tally))
            continue
        session.execute(
            update(RejectedMessage)
            .where(*_is(key))
            .values(times=tally.times, last_at=tally.last_at)
            .execution_options(synchronize_session=False)
        )
    if fresh:
        session.execute(insert(RejectedMessage), fresh)


def discard_old_rejects(session: Session, actor: Actor, now: datetime) -> int:
    """Remove rejected messages that are older than `KEPT_DAYS` days.

    Args:
        session: an open session that writes; the caller commits.
        actor: the collector that does it.
        now: the present instant, UTC.

    Returns:
        How many were removed. An audit record is left if there were any.
    """
    take_turn(session)
    until = now - timedelta(days=KEPT_DAYS)
    old = RejectedMessage.last_at < until
    found = session.execute(select(RejectedMessage.id).where(old)).all()
    if found:
        session.execute(delete(RejectedMessage).where(old))
        subject = Subject("rejected message", f"older than {KEPT_DAYS} days")
        after = {"removed": len(found), "until": until}
        append(session, actor, now, "discard rejected messages", subject, None, after)
    return len(found)


def _on_record(
    session: Session, sources: Collection[str], minutes: Collection[datetime]
) -> dict[Key, Tally]:
    row = RejectedMessage
    asked = select(
        *(row.source, row.topic, row.minute_at, row.payload_sha256),
        *(row.payload, row.reason, row.times, row.last_at),
    ).where(row.source.in_(sources), row.minute_at.in_(minutes))
    found = {}
    for source, topic, minute, digest, payload, reason, times, last_at in session.execute(asked):
        key = (source, topic, minute, digest)
        found[key] = Tally(key, payload, reason, times, last_at)
    return found


def _row(tally: Tally) -> dict[str, Any]:
    return {
        "id": new_id(),
        **dict(zip(_KEY, tally.key, strict=True)),
        "payload": tally.payload,
        "reason": tally.reason,
        "times": tally.times,
        "last_at": tally.last_at,
    }


def _is(key: Key) -> tuple[ColumnElement[bool], ...]:
    source, topic, minute, digest = key
    row = RejectedMessage
    return (
        *(row.source == source, row.topic == topic),
        *(row.minute_at == minute, row.payload_sha256 == digest),
    )
