"""Reads of checks of cans taken in order."""

import uuid
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from tracelog.audit import AuditRecord
from tracelog.cases.models import SequenceCheck
from tracelog.defects.models import DefectType
from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.plant.models import Line

MOST_CHECKS = 100


@dataclass(frozen=True)
class CheckView:
    """A check as it was kept; `cans` has a letter for each can in order."""

    id: uuid.UUID
    line: int
    defect: str
    defect_title: str
    taken_after: str
    taken_at: datetime
    cans: str
    note: str | None
    written_at: datetime
    by: str

    @property
    def bad(self) -> int:
        """How many cans were bad."""
        return self.cans.count("b")

    @property
    def seen(self) -> int:
        """How many were looked at."""
        return len(self.cans) - self.cans.count("?")


@dataclass(frozen=True)
class CheckFilter:
    """Which checks are meant: of a line, of a defect."""

    line: int | None = None
    defect: str | None = None


def sequence_checks(
    session: Session, wanted: CheckFilter, as_of: datetime, most: int = MOST_CHECKS
) -> list[CheckView]:
    """Checks, the last taken first. One statement.

    Args:
        session: an open session.
        wanted: which.
        as_of: UTC; only what was written by then.
        most: at most so many.
    """
    asked = _checks(as_of).order_by(
        SequenceCheck.taken_at.desc(), AuditRecord.sequence.desc(), SequenceCheck.id
    )
    if wanted.line is not None:
        asked = asked.where(Line.line == wanted.line)
    if wanted.defect is not None:
        asked = asked.where(DefectType.defect == wanted.defect)
    return [_view(row) for row in session.execute(asked.limit(most))]


def sequence_check(session: Session, key: uuid.UUID, as_of: datetime) -> CheckView:
    """One check. One statement.

    Raises:
        NotFound: there is no such check.
    """
    row = session.execute(_checks(as_of).where(SequenceCheck.id == key)).one_or_none()
    if row is None:
        raise NotFound(_("there is no sequence check with the id %(id)s", id=key))
    return _view(row)


def _checks(as_of: datetime) -> Select[*tuple[Any, ...]]:
    return (
        select(SequenceCheck, Line.line, DefectType.defect, DefectType.name)
        .join(Line, Line.id == SequenceCheck.line_id)
        .join(DefectType, DefectType.id == SequenceCheck.defect_id)
        .join(AuditRecord, AuditRecord.id == SequenceCheck.audit_id)
        .where(SequenceCheck.written_at <= as_of)
    )


def _view(row: Any) -> CheckView:
    check, line, defect, name = row
    return CheckView(
        check.id,
        line,
        defect,
        name or defect,
        check.taken_after,
        check.taken_at,
        check.cans,
        check.note,
        check.written_at,
        check.by,
    )
