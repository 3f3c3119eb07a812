"""Tables of the people who use tracelog and of the tokens that machines use."""

import uuid
from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base, new_id


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
