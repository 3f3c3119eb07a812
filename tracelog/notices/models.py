"""Tables of notices: who wants to know what, what was found, and what became of telling it."""

import uuid
from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, Integer, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base


class Webhook(Base):
    """A program that is told. Its secret is worked out anew each time and kept nowhere."""

    __tablename__ = "webhooks"
    __table_args__ = (Index("uq_webhooks_account_id_url", "account_id", "url", unique=True),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    account_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("accounts.id"))
    url: Mapped[str] = mapped_column(String(500))
    # The secret comes from the installation's key, this id and this number.
    secret_number: Mapped[int] = mapped_column(Integer)
    # Tells a process with another key that it must not sign.
    secret_check: Mapped[str] = mapped_column(String(16))

    # Attempts that failed since the last good one; and when and why it was switched off.
    failures: Mapped[int] = mapped_column(Integer)
    off_at: Mapped[datetime | None]
    off_why: Mapped[str | None] = mapped_column(Text)

    created_at: Mapped[datetime]
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class Subscription(Base):
    """What one person wants to be told, where it happens, and by which way. A setting."""

    __tablename__ = "subscriptions"
    __table_args__ = (
        Index("ix_subscriptions_account_id", "account_id"),
        CheckConstraint(
            "(way = 'email') = (address IS NOT NULL) AND (way = 'webhook') = (webhook_id IS NOT"
            " NULL)",
            name="way_and_where",
        ),
        CheckConstraint("(quiet_from IS NULL) = (quiet_to IS NULL)", name="quiet_both_ends"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    account_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("accounts.id"))

    # What: kinds in order with commas between them; of one line or machine, else of the plant.
    kinds: Mapped[str] = mapped_column(Text)
    line_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("lines.id"))
    machine_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("machines.id"))
    least_severity: Mapped[str | None] = mapped_column(String(20))
    days_ahead: Mapped[int] = mapped_column(Integer)

    # How: `page`, `email` or `webhook`; `at once`, `hourly`, `daily` or `shift`.
    way: Mapped[str] = mapped_column(String(10))
    address: Mapped[str | None] = mapped_column(String(254))
    webhook_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("webhooks.id"))
    pace: Mapped[str] = mapped_column(String(10))
    # Times of the plant's clock, such as 06:00.
    daily_at: Mapped[str | None] = mapped_column(String(5))
    quiet_from: Mapped[str | None] = mapped_column(String(5))
    quiet_to: Mapped[str | None] = mapped_column(String(5))
    leaks_at_once: Mapped[bool]

    created_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class OutboxMessage(Base):
    """One message by e-mail or webhook; its id is the same however often it is tried."""

    __tablename__ = "outbox"
    __table_args__ = (
        Index("ix_outbox_state_next_at", "state", "next_at"),
        Index("ix_outbox_made_at", "made_at"),
        Index("ix_outbox_subscription_id", "subscription_id"),
        CheckConstraint("state IN ('waiting', 'claimed', 'sent', 'given up')", name="state_known"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    subscription_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("subscriptions.id"))
    # As they were when it was made: what is under way is not turned round.
    way: Mapped[str] = mapped_column(String(10))
    address: Mapped[str] = mapped_column(String(500))
    webhook_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("webhooks.id"))

    state: Mapped[str] = mapped_column(String(10))
    attempts: Mapped[int] = mapped_column(Integer)
    # Not before then; and while it is claimed, until when and by which claim.
    next_at: Mapped[datetime]
    lease_until: Mapped[datetime | None]
    claim_id: Mapped[uuid.UUID | None]
    made_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    why: Mapped[str | None] = mapped_column(Text)


class Notice(Base):
    """One thing that one subscription is told. Found once: its occasion is unique there."""

    __tablename__ = "notices"
    __table_args__ = (
        Index("uq_notices_subscription_id_occasion", "subscription_id", "occasion", unique=True),
        Index("ix_notices_account_id_read_at", "account_id", "read_at"),
        Index("ix_notices_message_id", "message_id"),
        Index("ix_notices_send_at", "send_at"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    subscription_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("subscriptions.id"))
    account_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("accounts.id"))

    # What happened: its natural key, such as a signal's with the word raised.
    occasion: Mapped[str] = mapped_column(String(300))
    kind: Mapped[str] = mapped_column(String(20))
    place: Mapped[str] = mapped_column(String(120))
    severity: Mapped[str | None] = mapped_column(String(20))
    title: Mapped[str] = mapped_column(Text)
    text: Mapped[str] = mapped_column(Text)
    link: Mapped[str] = mapped_column(String(500))
    happened_at: Mapped[datetime]
    found_at: Mapped[datetime]

    # None: it stands on the page only. Without a message it waits for its time.
    send_at: Mapped[datetime | None]
    message_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("outbox.id"))
    read_at: Mapped[datetime | None]


class OutboxAttempt(Base):
    """One attempt at a message: written down as begun before it is made, and then how it ended."""

    __tablename__ = "outbox_attempts"

    # The claim under which it was made.
    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    message_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("outbox.id"), index=True)
    number: Mapped[int] = mapped_column(Integer)
    began_at: Mapped[datetime]
    # None: it was broken off, and nobody knows whether it arrived.
    ended_at: Mapped[datetime | None]
    accepted: Mapped[bool | None]
    answer: Mapped[str | None] = mapped_column(Text)
    duration_ms: Mapped[int | None] = mapped_column(Integer)
