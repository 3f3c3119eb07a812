"""Tables of spreadsheets: what was uploaded, what was put right in it, how such sheets are read."""

import uuid
from datetime import datetime

from sqlalchemy import BigInteger, ForeignKey, Index, LargeBinary, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from tracelog.db import Base, new_id


class SpreadsheetUpload(Base):
    """A spreadsheet that waits to be taken in, as it was uploaded. Removed when it is done with."""

    __tablename__ = "spreadsheet_uploads"

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)

    # The file, and its cells as they were read from it once.
    name: Mapped[str] = mapped_column(String(200))
    content_hash: Mapped[str] = mapped_column(String(64))
    size_bytes: Mapped[int] = mapped_column(BigInteger)
    content: Mapped[bytes] = mapped_column(LargeBinary)
    cells: Mapped[bytes] = mapped_column(LargeBinary)
    uploaded_at: Mapped[datetime]
    uploaded_by: Mapped[str] = mapped_column(String(120))

    # How it is read (JSON), and what a look at all rows found (JSON), None before there was one.
    mapping: Mapped[str] = mapped_column(Text)
    found: Mapped[str | None] = mapped_column(Text)
    # Counts up with each change, so that the later of two people is told.
    version: Mapped[int]
    taken_at: Mapped[datetime | None]
    taken_by: Mapped[str | None] = mapped_column(String(120))


class SpreadsheetFix(Base):
    """What somebody put in place of cells of one row; the upload itself stays as it was."""

    __tablename__ = "spreadsheet_fixes"
    __table_args__ = (Index("uq_spreadsheet_fixes_upload_row", "upload_id", "row", unique=True),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    upload_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("spreadsheet_uploads.id"))
    row: Mapped[int]
    # JSON object of our columns and their text; null: the row is left out on purpose.
    cells: Mapped[str] = mapped_column(Text)
    fixed_at: Mapped[datetime]
    fixed_by: Mapped[str] = mapped_column(String(120))


class SpreadsheetMapping(Base):
    """How sheets with a certain header are read, under a name, for next time."""

    __tablename__ = "spreadsheet_mappings"
    __table_args__ = (Index("uq_spreadsheet_mappings_name", "name", unique=True),)

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(80))
    header_mark: Mapped[str] = mapped_column(String(64))
    mapping: Mapped[str] = mapped_column(Text)
    kept_at: Mapped[datetime]
    kept_by: Mapped[str] = mapped_column(String(120))
