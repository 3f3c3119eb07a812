"""Reads of the messages that could not be taken."""

import uuid
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from sqlalchemy import select, tuple_
from sqlalchemy.orm import Session

from tracelog.intake.models import RejectedMessage
from tracelog.intake.reject_rules import FURTHER_PAYLOADS
from tracelog.paging import read_place, write_place

MOST_REJECTS = 1000


class Source(StrEnum):
    """How messages come in."""

    MQTT = "mqtt"
    OPCUA = "opcua"


@dataclass(frozen=True)
class RejectedView:
    """One message that could not be taken, as it came within one minute.

    Attributes:
        id: of the row.
        source: how it came.
        topic: the topic, or the address of the node.
        reason: the sentence that says what is wrong and what would be right.
        payload: its first bytes.
        times: how often it came within the minute.
        last_at: when last, UTC.
        stands_for_others: one row for messages that were only counted.
    """

    id: uuid.UUID
    source: str
    topic: str
    reason: str
    payload: bytes
    times: int
    last_at: datetime
    stands_for_others: bool

    @property
    def payload_text(self) -> str:
        """The payload as text of one line; bytes that are none are written ``\\xff``."""
        text = self.payload.decode("utf-8", "backslashreplace")
        return "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in text)


@dataclass(frozen=True)
class RejectedPage:
    """Some rejected messages, and where the next page goes on; None: there are no more."""

    rows: tuple[RejectedView, ...]
    next_after: str | None


def rejected_messages(
    session: Session, source: Source | None = None, limit: int = 100, after: str | None = None
) -> RejectedPage:
    """Messages that could not be taken, the latest first. One statement.

    Args:
        session: an open session.
        source: only those that came so.
        limit: how many at most (1 to 1000).
        after: `next_after` of the page before.

    Raises:
        TracelogError: `after` is not from a page before; at the field ``after``.
    """
    row = RejectedMessage
    asked = select(
        *(row.id, row.source, row.topic, row.reason),
        *(row.payload, row.times, row.last_at, row.payload_sha256),
    ).order_by(row.last_at.desc(), row.id.desc())
    if source is not None:
        asked = asked.where(row.source == source.value)
    if after is not None:
        asked = asked.where(tuple_(row.last_at, row.id) < read_place(after))
    found = [
        RejectedView(*found_row[:-1], found_row[-1] in {FURTHER_PAYLOADS, ""})
        for found_row in session.execute(asked.limit(limit + 1))
    ]
    rows = tuple(found[:limit])
    last = rows[-1] if len(found) > limit else None
    return RejectedPage(rows, write_place(last.last_at, last.id) if last else None)
