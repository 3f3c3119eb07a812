"""Tables of the people who use tracelog and of the tokens that machines use."""

import uuid
from datetime import datetime

from sqlalchemy import CheckConstraint, Double, ForeignKey, String, Text
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
    # A secret that somebody else chose is good until then, and only to choose another.
    secret_once_until: Mapped[datetime | None]
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
    # A token may be allowed less than its account: a lesser role, and of that only its scopes,
    # words of `tracelog.people.permissions` with commas between them; None: the whole role.
    role: Mapped[str] = mapped_column(String(20))
    scopes: Mapped[str | None] = mapped_column(Text)
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)

    created_at: Mapped[datetime]
    expires_at: Mapped[datetime | None]
    last_used_at: Mapped[datetime | None]
    last_used_from: Mapped[str | None] = mapped_column(String(60))
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


class OpenSession(Base):
    """One sign-in of one browser; only the hash of the secret in its cookie is kept.

    Without its row a cookie opens nothing, so that ending it here ends every copy of the cookie.
    """

    __tablename__ = "sessions"

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    account_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("accounts.id"), index=True)
    key_hash: Mapped[str] = mapped_column(String(64), unique=True)
    # The account's `session_epoch` for which it is good.
    epoch: Mapped[int]

    # How they came in (`password`, `pin` or `provider`), where, and with which browser.
    way: Mapped[str] = mapped_column(String(10))
    tablet_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey(Tablet.id))
    address: Mapped[str] = mapped_column(String(60))
    browser: Mapped[str] = mapped_column(String(200))

    began_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]


class KnownDevice(Base):
    """A browser in which somebody signed in, and an address from which; others hold up neither."""

    __tablename__ = "known_devices"

    account_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("accounts.id"), primary_key=True)
    device_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    address: Mapped[str] = mapped_column(String(60), primary_key=True)
    last_at: Mapped[datetime]


class SignInCount(Base):
    """Attempts to sign in that failed lately, for one thing that they have in common."""

    __tablename__ = "sign_in_counts"

    # SHA-256 of what is counted, such as a name together with an address.
    key_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    # Failed attempts less those forgiven since, as of `counted_at`.
    level: Mapped[float] = mapped_column(Double)
    counted_at: Mapped[datetime] = mapped_column(index=True)
    wait_until: Mapped[datetime | None]


class Identity(Base):
    """Whom an identity provider knows an account as: its issuer and its subject, never a mail."""

    __tablename__ = "identities"

    issuer: Mapped[str] = mapped_column(String(300), primary_key=True)
    subject: Mapped[str] = mapped_column(String(255), primary_key=True)
    account_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("accounts.id"), index=True)
    linked_at: Mapped[datetime]
    linked_by: Mapped[str] = mapped_column(String(120))
