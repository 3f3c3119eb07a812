"""Tables of the screens on the wall."""

import uuid
from datetime import datetime

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base, new_id


class Screen(Base):
    """A screen that shows one line or the plant and can do nothing else; its secret is hashed."""

    __tablename__ = "screens"

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(80))
    # None: the plant.
    line_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("lines.id"))
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)

    made_at: Mapped[datetime]
    made_by: Mapped[str] = mapped_column(String(120))
    expires_at: Mapped[datetime | None]
    last_seen_at: Mapped[datetime | None]
    revoked_at: Mapped[datetime | None]
