"""Writes of spreadsheets: keeping one, saying how it is read, putting rows right, taking it in."""

import hashlib
import json
import uuid
from collections.abc import Mapping
from datetime import datetime

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.db import new_id
from tracelog.errors import Conflict, NotFound, TracelogError
from tracelog.facts import plain_text
from tracelog.intake.spreadsheets.guessing import guess_mapping
from tracelog.intake.spreadsheets.mapping import Mapping as SheetMapping
from tracelog.intake.spreadsheets.mapping import header_mark, header_of, read_mapping
from tracelog.intake.spreadsheets.models import (
    SpreadsheetFix,
    SpreadsheetMapping,
    SpreadsheetUpload,
)
from tracelog.intake.spreadsheets.queries import fixes_of, kept_for, upload_row
from tracelog.intake.spreadsheets.sheets import packed, read_book, unpacked
from tracelog.intake.spreadsheets.taking import Found, take_rows
from tracelog.intake.spreadsheets.targets import SETTINGS, titles
from tracelog.language import _
from tracelog.people.permissions import may

MOST_UPLOADS = 50


def allowed_files(role: str) -> list[str]:
    """What the rows may be for somebody of that role: what sets the plant up is for few."""
    return [name for name in titles() if name not in SETTINGS or may(role, "import data")]


def keep_upload(
    session: Session, name: str, content: bytes, actor: Actor, now: datetime
) -> uuid.UUID:
    """Keep a spreadsheet as it was uploaded, with a guess of how it is read.

    A mapping that was kept for the same columns is applied; it is shown like a guess.

    Raises:
        TracelogError: it cannot be read, or too many wait already; at ``file``.
    """
    book = read_book(name, content)
    take_turn(session)
    waiting = session.execute(select(SpreadsheetUpload.id)).all()
    if len(waiting) >= MOST_UPLOADS:
        raise TracelogError(
            _("is one too many; remove spreadsheets that are done with first"), "file"
        )
    allowed = allowed_files(actor.role)
    mapping = kept_for(session, book, allowed) or guess_mapping(book.sheets[0], allowed)
    upload_id = new_id()
    told = " ".join(name.split())[:200] or "spreadsheet"
    digest = hashlib.sha256(content).hexdigest()
    after = {"name": told, "sha256": digest, "bytes": len(content)}
    append(session, actor, now, "keep spreadsheet", _subject(upload_id), None, after)
    session.add(
        SpreadsheetUpload(
            id=upload_id,
            name=told,
            content_hash=digest,
            size_bytes=len(content),
            content=content,
            cells=packed(book),
            uploaded_at=now,
            uploaded_by=actor.name,
            mapping=mapping.text(),
            found=None,
            version=1,
        )
    )
    session.flush()
    return upload_id


def read_as(
    session: Session,
    upload_id: uuid.UUID,
    mapping: SheetMapping,
    version: int,
    actor: Actor,
    now: datetime,
) -> Found:
    """Say how a spreadsheet is read, and look at all its rows; nothing of them is written.

    Raises:
        Conflict: somebody else has changed it since.
        TracelogError: the mapping is not complete, or beyond the role.
    """
    row = _upload(session, upload_id, version)
    _demand_allowed(mapping, actor)
    before = row.mapping
    row.mapping = mapping.text()
    found = _looked_at(session, row, actor, now)
    _changed(session, row, found)
    append(
        session,
        actor,
        now,
        "read spreadsheet as",
        _subject(upload_id),
        json.loads(before),
        json.loads(row.mapping),
    )
    return found


def fix_rows(
    session: Session,
    upload_id: uuid.UUID,
    fixes: Mapping[int, Mapping[str, str] | None],
    version: int,
    actor: Actor,
    now: datetime,
) -> Found:
    """Put cells of rows right beside the upload, and look at all rows again.

    Args:
        session: an open session that writes.
        upload_id: which spreadsheet.
        fixes: for each row its cells in our columns; None: it is left out on purpose.
        version: of what the person saw.
        actor: who does it.
        now: UTC.

    Raises:
        Conflict: somebody else has changed it since.
    """
    row = _upload(session, upload_id, version)
    there = {
        fix.row: fix
        for fix in session.execute(
            select(SpreadsheetFix).where(
                SpreadsheetFix.upload_id == upload_id, SpreadsheetFix.row.in_(fixes)
            )
        ).scalars()
    }
    for number, cells in fixes.items():
        fix = there.get(number)
        if fix is None:
            fix = SpreadsheetFix(id=new_id(), upload_id=upload_id, row=number)
            session.add(fix)
        kept = {name: text[:5000] for name, text in cells.items()} if cells is not None else None
        fix.cells = json.dumps(kept, sort_keys=True, ensure_ascii=False)
        fix.fixed_at, fix.fixed_by = now, actor.name
    session.flush()
    found = _looked_at(session, row, actor, now)
    _changed(session, row, found)
    after = {str(number): dict(cells) if cells else None for number, cells in fixes.items()}
    append(session, actor, now, "fix rows of spreadsheet", _subject(upload_id), None, after)
    return found


def take_in(
    session: Session,
    upload_id: uuid.UUID,
    version: int,
    actor: Actor,
    now: datetime,
    *,
    keep_good: bool,
) -> Found:
    """Take the rows in: all of them, or, asked for, the good ones while the others stay here.

    Raises:
        Conflict: somebody else has changed it since, or a row is bad and not only good ones were
            asked for; then nothing is written.
        TracelogError: what the rows are is beyond the role.
    """
    row = _upload(session, upload_id, version)
    mapping = read_mapping(row.mapping)
    _demand_allowed(mapping, actor)
    found = take_rows(
        session, unpacked(row.cells), mapping, fixes_of(session, upload_id), actor, now
    )
    if found.bad and not keep_good:
        raise Conflict(
            _(
                "%(count)d rows are not right, so nothing was taken in; put them right, or take"
                " in the good ones",
                count=len(found.bad),
            )
        )
    _changed(session, row, found)
    row.taken_at, row.taken_by = now, actor.name
    after = {"file": mapping.file, "left out": found.left_out, **found.became}
    append(session, actor, now, "take in spreadsheet", _subject(upload_id), None, after)
    session.flush()
    return found


def remove_upload(session: Session, upload_id: uuid.UUID, actor: Actor, now: datetime) -> None:
    """Remove a spreadsheet that is done with; what was taken in stays.

    Raises:
        NotFound: there is no such spreadsheet.
    """
    row = upload_row(session, upload_id)
    before = {"name": row.name, "sha256": row.content_hash, "bytes": row.size_bytes}
    session.execute(delete(SpreadsheetFix).where(SpreadsheetFix.upload_id == upload_id))
    session.delete(row)
    append(session, actor, now, "remove spreadsheet", _subject(upload_id), before, None)
    session.flush()


def keep_mapping(
    session: Session, upload_id: uuid.UUID, name: str, actor: Actor, now: datetime
) -> None:
    """Keep how a spreadsheet is read under a name; the same name again replaces it.

    Raises:
        TracelogError: the name is missing or too long; at ``name``.
    """
    try:
        kept_name = plain_text(name, 80)
    except ValueError as problem:
        raise TracelogError(str(problem), "name") from None
    if not kept_name:
        raise TracelogError(_("is missing; name it such as: daily sheet of line 3"), "name")
    row = upload_row(session, upload_id)
    mapping = read_mapping(row.mapping)
    sheet = unpacked(row.cells).sheet(mapping.sheet)
    take_turn(session)
    there = session.execute(
        select(SpreadsheetMapping).where(SpreadsheetMapping.name == kept_name)
    ).scalar_one_or_none()
    before = json.loads(there.mapping) if there is not None else None
    if there is None:
        there = SpreadsheetMapping(id=new_id(), name=kept_name)
        session.add(there)
    there.header_mark = header_mark(header_of(sheet, mapping.header_first, mapping.header_last))
    there.mapping = row.mapping
    there.kept_at, there.kept_by = now, actor.name
    session.flush()
    subject = Subject("spreadsheet mapping", kept_name)
    append(session, actor, now, "keep mapping", subject, before, json.loads(row.mapping))


def remove_mapping(session: Session, mapping_id: uuid.UUID, actor: Actor, now: datetime) -> None:
    """Forget a mapping that was kept.

    Raises:
        NotFound: there is no such mapping.
    """
    row = session.get(SpreadsheetMapping, mapping_id)
    if row is None:
        raise NotFound(_("there is no such mapping"))
    subject = Subject("spreadsheet mapping", row.name)
    append(session, actor, now, "remove mapping", subject, json.loads(row.mapping), None)
    session.delete(row)
    session.flush()


def _subject(upload_id: uuid.UUID) -> Subject:
    return Subject("spreadsheet", str(upload_id))


def _upload(session: Session, upload_id: uuid.UUID, version: int) -> SpreadsheetUpload:
    take_turn(session)
    row = upload_row(session, upload_id)
    if row.version != version:
        raise Conflict(
            _(
                "somebody has changed this since the page was opened; what stands now is shown,"
                " look at it and go on from there"
            )
        )
    return row


def _demand_allowed(mapping: SheetMapping, actor: Actor) -> None:
    if mapping.file not in allowed_files(actor.role):
        raise TracelogError(
            _("is for administrators, since it changes how the plant is set up"), "file"
        )


def _looked_at(session: Session, row: SpreadsheetUpload, actor: Actor, now: datetime) -> Found:
    """What taking all rows in would do: it is done within a savepoint, and undone."""
    attempt = session.begin_nested()
    try:
        return take_rows(
            session,
            unpacked(row.cells),
            read_mapping(row.mapping),
            fixes_of(session, row.id),
            actor,
            now,
        )
    finally:
        attempt.rollback()


def _changed(session: Session, row: SpreadsheetUpload, found: Found) -> None:
    row.found = json.dumps(found.as_json(), ensure_ascii=False)
    row.version += 1
    session.flush()
