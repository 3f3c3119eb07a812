"""Tables of the people who use tracelog and of the tokens that machines use."""

import uuid
from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base, new_id
from tracelog.plant.models import Line


class Account(Base):
    """Somebody who can sign in."""

    __tablename__ = "accounts"
    __table_args__ = (
        CheckConstraint(
            "role IN ('operator', 'planner', 'supervisor', 'quality', 'administrator')",
            name="role_known",
        ),
    )

    # Who it is.
    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    display_name: Mapped[str] = mapped_column(String(80))
    role: Mapped[str] = mapped_column(String(20))

    # How they prove it: argon2id of a password or PIN, and whether it still counts.
    secret_hash: Mapped[str] = mapped_column(String(200))
    active: Mapped[bool] = mapped_column(default=True)
    # Raised to end every session that is open.
    session_epoch: Mapped[int] = mapped_column(default=0)

    # At a shared tablet: argon2id of a PIN that opens nothing anywhere else. A PIN that somebody
    # else gave out is good until then, and only to choose another.
    pin_hash: Mapped[str | None] = mapped_column(String(200))
    pin_once_until: Mapped[datetime | None]

    # The language that the person reads; None: as the browser asks.
    language: Mapped[str | None] = mapped_column(String(10))

    created_at: Mapped[datetime]
    last_signed_in_at: Mapped[datetime | None]


class Token(Base):
    """A secret with which a program calls the API; only its hash is kept."""

    __tablename__ = "tokens"

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(80))
    account_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("accounts.id"), index=True)
    # A token may be allowed less than its account.
    role: Mapped[str] = mapped_column(String(20))
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)

    created_at: Mapped[datetime]
    expires_at: Mapped[datetime | None]
    last_used_at: Mapped[datetime | None]
    revoked_at: Mapped[datetime | None]


class Tablet(Base):
    """A browser that several people share; only the hash of the secret it holds is kept."""

    __tablename__ = "tablets"
    __table_args__ = (CheckConstraint("idle_minutes BETWEEN 1 AND 60", name="idle_minutes"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(80))
    # Where it stands; None: anywhere in the plant.
    line_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey(Line.id))
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)
    # After so long without a touch nobody is signed in any more.
    idle_minutes: Mapped[int]

    made_at: Mapped[datetime]
    made_by: Mapped[str] = mapped_column(String(120))
    last_seen_at: Mapped[datetime | None]
    revoked_at: Mapped[datetime | None]


class TabletPerson(Base):
    """One person at one tablet: when they were there last, and PINs that were wrong in a row."""

    __tablename__ = "tablet_people"

    tablet_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("tablets.id"), primary_key=True)
    account_id: Mapped[uuid.UUID] = mapped_column(
        ForeignKey("accounts.id"), primary_key=True, index=True
    )
    last_signed_in_at: Mapped[datetime | None]
    # Attempts in a row that did not open, and up to how many digits the last one was looked at.
    attempts: Mapped[int] = mapped_column(default=0)
    checked_digits: Mapped[int] = mapped_column(default=0)
    wait_until: Mapped[datetime | None]
