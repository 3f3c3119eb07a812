"""Tables of the log: vocabulary, entries as logged, corrections, entries as they stand."""

import uuid
from datetime import datetime

from sqlalchemy import BigInteger, ForeignKey, Index, LargeBinary, String, Text, text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base, new_id


class DefectType(Base):
    """One kind of defect."""

    __tablename__ = "defect_types"

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    defect: Mapped[str] = mapped_column(String(80), unique=True)
    name: Mapped[str | None] = mapped_column(String(80))
    stage: Mapped[str | None] = mapped_column(String(80))
    severity: Mapped[str | None] = mapped_column(String(20))
    arises_at: Mapped[str | None] = mapped_column(String(80))
    traces_to: Mapped[str | None] = mapped_column(Text)
    notes: Mapped[str | None] = mapped_column(Text)


class EntryColumns:
    """What an entry says: the same columns as logged and as it stands now."""

    seen_at: Mapped[datetime]
    made_at: Mapped[datetime | None]
    dome_code: Mapped[str | None] = mapped_column(String(20))
    defect_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("defect_types.id"))
    cans: Mapped[int] = mapped_column(BigInteger)
    occurrences: Mapped[int | None] = mapped_column(BigInteger)
    inspected: Mapped[int | None] = mapped_column(BigInteger)
    found_at: Mapped[str | None] = mapped_column(String(80))
    coil: Mapped[str | None] = mapped_column(String(80))
    pallet: Mapped[str | None] = mapped_column(String(80))
    mark: Mapped[str | None] = mapped_column(String(80))
    note: Mapped[str | None] = mapped_column(Text)
    logged_by: Mapped[str | None] = mapped_column(String(80))
    logged_at: Mapped[datetime]
    # How far the clock of the tablet was ahead when it was logged there; `logged_at` is corrected.
    tablet_clock_error_s: Mapped[float | None]


class Entry(EntryColumns, Base):
    """One finding, as it was logged. A fact: never changed."""

    __tablename__ = "entries"

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class EntryCorrection(Base):
    """A correction or withdrawal of an entry. A fact: never changed.

    `changes` is a JSON object of the fields that change and their new values, as text of the
    file format.
    """

    __tablename__ = "entry_corrections"
    __table_args__ = (
        Index("ix_entry_corrections_entry", "entry_id", "corrected_at"),
        Index("ix_entry_corrections_corrected_at", "corrected_at"),
    )

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    entry_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("entries.id"))
    corrected_at: Mapped[datetime]
    corrected_by: Mapped[str] = mapped_column(String(120))
    reason: Mapped[str] = mapped_column(Text)
    withdrawn: Mapped[bool]
    changes: Mapped[str] = mapped_column(Text)
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))


class CurrentEntry(EntryColumns, Base):
    """An entry with its corrections applied and its machine settled. Derived.

    `occurred_at` is when the can was made if known, else when it was seen; `line_id` and
    `machine_id` are blank while nobody knows. Withdrawn entries have no row.
    """

    __tablename__ = "current_entries"
    __table_args__ = (
        # With the cans, so that what a machine made for years is counted in the index alone.
        Index("ix_current_entries_machine_occurred_at", "machine_id", "occurred_at", "cans"),
        Index("ix_current_entries_occurred_at", "occurred_at"),
        Index("ix_current_entries_line_occurred_at", "line_id", "occurred_at"),
        Index("ix_current_entries_defect_occurred_at", "defect_id", "occurred_at"),
        Index("ix_current_entries_logged_at", "logged_at"),
        Index("ix_current_entries_coil", "coil"),
        Index("ix_current_entries_pallet", "pallet"),
        # Few entries say when the can was made; from them the way through the line is learned.
        Index(
            "ix_current_entries_made",
            *("line_id", "made_at"),
            sqlite_where=text("made_at IS NOT NULL"),
            postgresql_where=text("made_at IS NOT NULL"),
        ),
    )

    entry_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("entries.id"), primary_key=True)
    line_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("lines.id"))
    machine_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("machines.id"))
    occurred_at: Mapped[datetime]
    # `occurrences` with its default applied: what statistics of running production count.
    counted_occurrences: Mapped[int] = mapped_column(BigInteger)
    corrections: Mapped[int]


class EntryTally(Base):
    """Settled entries of a machine and a kind of defect in a day or month, added up. Derived.

    `length` is ``day`` or ``month`` of the plant's calendar, which begins at `start_at`;
    `is_sample` tells samples from running production, which are never added up together. There is
    no row where there is no entry. `inspected` is 0 in running production.
    """

    __tablename__ = "entry_tallies"
    # Clustered by key: the table is read by machine, kind and time, and by nothing else.
    __table_args__ = {"sqlite_with_rowid": False}

    machine_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("machines.id"), primary_key=True)
    defect_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("defect_types.id"), primary_key=True)
    is_sample: Mapped[bool] = mapped_column(primary_key=True)
    length: Mapped[str] = mapped_column(String(5), primary_key=True)
    start_at: Mapped[datetime] = mapped_column(primary_key=True)
    entries: Mapped[int] = mapped_column(BigInteger)
    counted_occurrences: Mapped[int] = mapped_column(BigInteger)
    cans: Mapped[int] = mapped_column(BigInteger)
    inspected: Mapped[int] = mapped_column(BigInteger)


class Photo(Base):
    """A picture of a finding. A fact: never changed.

    `entry_id` is blank for pictures that came with something else, such as a complaint.
    """

    __tablename__ = "photos"
    __table_args__ = (Index("ix_photos_entry", "entry_id"),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True)
    entry_id: Mapped[uuid.UUID | None] = mapped_column(ForeignKey("entries.id"))
    media_type: Mapped[str] = mapped_column(String(40))
    # SHA-256 of the content, in hex.
    content_hash: Mapped[str] = mapped_column(String(64))
    size_bytes: Mapped[int] = mapped_column(BigInteger)
    content: Mapped[bytes] = mapped_column(LargeBinary)
    stored_at: Mapped[datetime]
    stored_by: Mapped[str] = mapped_column(String(120))
    audit_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("audit_records.id"))
