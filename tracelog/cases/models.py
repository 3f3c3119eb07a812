"""Tables of cases and complaints: what is looked into, and what was done about it."""

import uuid
from datetime import datetime

from sqlalchemy import BigInteger, ForeignKey, Index, Integer, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base
from tracelog.trace.models import Hold


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
    # Minutes the machine stood for it; blank: not known.
    minutes_down: Mapped[int | None] = mapped_column(Integer)
    # What was changed, where the step says that something was.
    change_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("changes.id"))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class CaseLink(Base):
    """That something belongs to a case; exactly one of the references is set. A fact."""

    __tablename__ = "case_links"
    __table_args__ = (Index("ix_case_links_case_written_at", "case_id", "written_at"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    case_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("cases.id"))
    # Why it belongs to it, when somebody said so.
    note: Mapped[str | None] = mapped_column(Text)
    machine_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("machines.id"))
    defect_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("defect_types.id"))
    entry_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("entries.id"))
    tool_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("tools.id"))
    coil_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("coils.id"))
    pallet_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("pallets.id"))
    hold_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey(Hold.id))
    photo_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("photos.id"))
    complaint_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("complaints.id"))
    sequence_check_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("sequence_checks.id"))
    written_at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class CaseUnlink(Base):
    """That a link was taken back, and why. A fact: never changed."""

    __tablename__ = "case_unlinks"

    link_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("case_links.id"), primary_key=True)
    reason: Mapped[str] = mapped_column(Text)
    written_at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class CaseExplanation(Base):
    """What the numbers said when the case was opened. A fact: never changed."""

    __tablename__ = "case_explanations"

    case_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("cases.id"), primary_key=True)
    asked_from: Mapped[datetime]
    asked_to: Mapped[datetime]
    made_at: Mapped[datetime]
    # The documented answer of `explain`, as JSON.
    answer: Mapped[str] = mapped_column(Text)
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class SequenceCheck(Base):
    """Cans taken in order behind a station, and which were bad. A fact: never changed."""

    __tablename__ = "sequence_checks"
    __table_args__ = (Index("ix_sequence_checks_line_taken_at", "line_id", "taken_at"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    line_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("lines.id"))
    defect_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("defect_types.id"))
    # Behind which station the cans were taken, such as `necker`.
    taken_after: Mapped[str] = mapped_column(String(80))
    taken_at: Mapped[datetime]
    # One letter for each can in the order in which it came: `g` good, `b` bad, `?` not looked at.
    cans: Mapped[str] = mapped_column(Text)
    note: Mapped[str | None] = mapped_column(Text)
    written_at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class Complaint(Base):
    """What arrived from a filler or another customer. A fact: never changed.

    Corrections, links and answers are its steps.
    """

    __tablename__ = "complaints"
    __table_args__ = (
        Index("uq_complaints_number", "number", unique=True),
        Index("ix_complaints_received_at", "received_at"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    # Counted from 1 in the order in which complaints were written down.
    number: Mapped[int] = mapped_column(Integer)
    received_at: Mapped[datetime]
    # The customer's own reference; never a person's name.
    customer_reference: Mapped[str | None] = mapped_column(String(120))
    # As it was read, before anything was settled, and how sure the reader was.
    code_as_read: Mapped[str | None] = mapped_column(String(20))
    certainty: Mapped[str | None] = mapped_column(String(20))
    pallet: Mapped[str | None] = mapped_column(String(80))
    coil: Mapped[str | None] = mapped_column(String(80))
    time_code: Mapped[str | None] = mapped_column(String(80))
    made_from: Mapped[datetime | None]
    made_to: Mapped[datetime | None]
    defect_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("defect_types.id"))
    # Bad cans seen out of cans run.
    cans: Mapped[int | None] = mapped_column(BigInteger)
    cans_run: Mapped[int | None] = mapped_column(BigInteger)
    note: Mapped[str | None] = mapped_column(Text)
    photo_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("photos.id"))
    written_at: Mapped[datetime]
    written_by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class ComplaintStep(Base):
    """A correction, a link, a note, an answer or the end of a complaint. A fact: never changed."""

    __tablename__ = "complaint_steps"
    __table_args__ = (
        Index("ix_complaint_steps_complaint_written_at", "complaint_id", "written_at"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    complaint_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("complaints.id"))
    # `corrected`, `held`, `case`, `photo`, `note`, `answered` or `closed`.
    step: Mapped[str] = mapped_column(String(20))
    at: Mapped[datetime]
    written_at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(120))
    text: Mapped[str | None] = mapped_column(Text)
    # New values of a correction, as JSON by field.
    changes: Mapped[str | None] = mapped_column(Text)
    hold_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey(Hold.id))
    case_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("cases.id"))
    photo_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("photos.id"))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))
