"""Table of what arrived and could not be taken."""

import uuid
from datetime import datetime

from sqlalchemy import Index, LargeBinary, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base, new_id


class RejectedMessage(Base):
    """A message that a collector could not take, kept for whoever looks for the reason.

    The same payload of one topic is kept once a minute and counted in `times`.
    """

    __tablename__ = "rejected_messages"
    __table_args__ = (
        Index(
            "uq_rejected_messages_topic_minute_payload",
            *("source", "topic", "minute_at", "payload_sha256"),
            unique=True,
        ),
        Index("ix_rejected_messages_last_at", "last_at"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    # How it came: mqtt or opcua.
    source: Mapped[str] = mapped_column(String(20))
    topic: Mapped[str] = mapped_column(String(500))
    minute_at: Mapped[datetime]
    payload_sha256: Mapped[str] = mapped_column(String(64))
    payload: Mapped[bytes] = mapped_column(LargeBinary)
    reason: Mapped[str] = mapped_column(Text)
    times: Mapped[int]
    last_at: Mapped[datetime]
