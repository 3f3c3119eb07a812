"""Tables of the cases: what is looked into, and what was done about it."""

import uuid
from datetime import datetime

from sqlalchemy import ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base


class Case(Base):
    """A defect on a machine or a line that somebody looks into. A fact: never changed."""

    __tablename__ = "cases"
    __table_args__ = (Index("ix_cases_opened_at", "opened_at"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    title: Mapped[str] = mapped_column(String(80))
    defect_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("defect_types.id"))
    # Where it is seen; without a machine, on the whole line.
    line_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("lines.id"))
    machine_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("machines.id"))
    # From when on things count as "before".
    since_at: Mapped[datetime]
    opened_at: Mapped[datetime]
    opened_by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class CaseStep(Base):
    """A note, an action taken, or the end of a case. A fact: never changed."""

    __tablename__ = "case_steps"
    __table_args__ = (Index("ix_case_steps_case_written_at", "case_id", "written_at"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    case_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("cases.id"))
    kind: Mapped[str] = mapped_column(String(20))
    # When it happened at the machine, and when it was written down.
    at: Mapped[datetime]
    written_at: Mapped[datetime]
    text: Mapped[str] = mapped_column(Text)
    by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))
