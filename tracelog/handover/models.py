"""Tables of the handover: what a shift writes down for the next, and what became of it."""

import uuid
from datetime import datetime

from sqlalchemy import ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base


class HandoverNote(Base):
    """One thing the next shift must know. A fact: never changed."""

    __tablename__ = "handover_notes"
    __table_args__ = (Index("ix_handover_notes_written_at", "written_at"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    # Without a line: of the whole plant.
    line_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("lines.id"))
    about: Mapped[str] = mapped_column(String(20))
    text: Mapped[str] = mapped_column(Text)
    written_at: Mapped[datetime]
    written_by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class HandoverSettlement(Base):
    """That a note need not be carried over any more, and why. A fact: never changed."""

    __tablename__ = "handover_settlements"

    note_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("handover_notes.id"), primary_key=True)
    settled_at: Mapped[datetime]
    settled_by: Mapped[str] = mapped_column(String(120))
    reason: Mapped[str] = mapped_column(Text)
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class HandoverSignature(Base):
    """That the crew of a shift handed over, or the next one took over. A fact: never changed."""

    __tablename__ = "handover_signatures"
    __table_args__ = (
        Index("ix_handover_signatures_shift_started_at", "shift_started_at", "signed_at"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    # The shift that ends: it hands over, the next takes over what it says.
    shift_started_at: Mapped[datetime]
    # Without a line: of the whole plant.
    line_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("lines.id"))
    # `outgoing` or `incoming`.
    side: Mapped[str] = mapped_column(String(10))
    words: Mapped[str | None] = mapped_column(Text)
    # The page as it was when it was signed: the documented answer, as JSON.
    shown: Mapped[str] = mapped_column(Text)
    signed_at: Mapped[datetime]
    signed_by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))
