"""Reads of spreadsheets that wait, and of the mappings that were kept."""

import json
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, defer

from tracelog.errors import NotFound
from tracelog.intake.spreadsheets.guessing import guess_header
from tracelog.intake.spreadsheets.mapping import Mapping as SheetMapping
from tracelog.intake.spreadsheets.mapping import header_mark, header_of, read_mapping
from tracelog.intake.spreadsheets.models import (
    SpreadsheetFix,
    SpreadsheetMapping,
    SpreadsheetUpload,
)
from tracelog.intake.spreadsheets.sheets import Book, unpacked
from tracelog.intake.spreadsheets.taking import Found
from tracelog.language import _


@dataclass(frozen=True)
class UploadView:
    """A spreadsheet that waits. `found` is what the last look at all rows found, or None."""

    id: uuid.UUID
    name: str
    size_bytes: int
    uploaded_at: datetime
    uploaded_by: str
    mapping: SheetMapping
    found: Found | None
    version: int
    taken_at: datetime | None
    taken_by: str | None
    fixes: Mapping[int, dict[str, str] | None] = field(default_factory=dict)


@dataclass(frozen=True)
class KeptMapping:
    """A mapping under its name."""

    id: uuid.UUID
    name: str
    mapping: SheetMapping
    kept_at: datetime
    kept_by: str


def uploads(session: Session) -> list[UploadView]:
    """All spreadsheets that wait, the latest first. One statement."""
    rows = session.execute(
        select(SpreadsheetUpload)
        .options(defer(SpreadsheetUpload.content), defer(SpreadsheetUpload.cells))
        .order_by(SpreadsheetUpload.uploaded_at.desc(), SpreadsheetUpload.id)
    ).scalars()
    return [_view(row) for row in rows]


def upload_row(session: Session, upload_id: uuid.UUID) -> SpreadsheetUpload:
    """The row of a spreadsheet.

    Raises:
        NotFound: there is none; it may have been removed.
    """
    row = session.get(SpreadsheetUpload, upload_id)
    if row is None:
        raise NotFound(_("there is no such spreadsheet; it may have been removed"))
    return row


def upload(session: Session, upload_id: uuid.UUID) -> tuple[UploadView, Book]:
    """A spreadsheet that waits, with its cells.

    Raises:
        NotFound: there is none.
    """
    row = upload_row(session, upload_id)
    fixes = fixes_of(session, upload_id)
    return replace(_view(row), fixes=fixes), unpacked(row.cells)


def _view(row: SpreadsheetUpload) -> UploadView:
    return UploadView(
        row.id,
        row.name,
        row.size_bytes,
        row.uploaded_at,
        row.uploaded_by,
        read_mapping(row.mapping),
        Found.of_json(json.loads(row.found)) if row.found else None,
        row.version,
        row.taken_at,
        row.taken_by,
    )


def fixes_of(session: Session, upload_id: uuid.UUID) -> dict[int, dict[str, str] | None]:
    """What somebody put right in a spreadsheet, by the number of the row."""
    rows = session.execute(
        select(SpreadsheetFix.row, SpreadsheetFix.cells).where(
            SpreadsheetFix.upload_id == upload_id
        )
    )
    return {row.row: json.loads(row.cells) for row in rows}


def kept_mappings(session: Session) -> list[KeptMapping]:
    """The mappings that were kept, by name. One statement."""
    rows = session.execute(select(SpreadsheetMapping).order_by(SpreadsheetMapping.name)).scalars()
    return [
        KeptMapping(row.id, row.name, read_mapping(row.mapping), row.kept_at, row.kept_by)
        for row in rows
    ]


def mapping_named(session: Session, name: str) -> SheetMapping:
    """The mapping that was kept under a name.

    Raises:
        NotFound: there is none.
    """
    for kept in kept_mappings(session):
        if kept.name == name:
            return kept.mapping
    names = ", ".join(kept.name for kept in kept_mappings(session)) or _("none")
    raise NotFound(
        _("there is no mapping '%(name)s'; kept are: %(names)s", name=name[:80], names=names)
    )


def kept_for(session: Session, book: Book, allowed: Sequence[str]) -> SheetMapping | None:
    """The mapping that was kept last for the columns of one of the sheets, or None."""
    marks: dict[str, tuple[str, int, int]] = {}
    for sheet in book.sheets:
        first, last = guess_header(sheet)
        marks.setdefault(header_mark(header_of(sheet, first, last)), (sheet.name, first, last))
    found = session.execute(
        select(SpreadsheetMapping.header_mark, SpreadsheetMapping.mapping)
        .where(SpreadsheetMapping.header_mark.in_(marks))
        .order_by(SpreadsheetMapping.kept_at.desc())
    ).all()
    for mark, text in found:
        mapping = read_mapping(text)
        if mapping.file in allowed:
            name, first, last = marks[mark]
            return replace(mapping, sheet=name, header_first=first, header_last=last)
    return None
