"""Reads of complaints: the list, and one with everything that was done about it."""

import json
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Select, func, or_, select
from sqlalchemy.orm import Session

from tracelog.audit import AuditRecord
from tracelog.cases.complaints.facts import (
    CORRECTABLE,
    Certainty,
    ComplaintFact,
    StepKind,
    values_of,
)
from tracelog.cases.complaints.rules import Age, age, is_closed
from tracelog.cases.models import Case, Complaint, ComplaintStep
from tracelog.defects.queries import vocabulary
from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.plant.dome_code import parse_dome_code
from tracelog.trace.models import Hold

UTC_ZONE = ZoneInfo("UTC")
MOST_COMPLAINTS = 100


@dataclass(frozen=True)
class FieldChange:
    """A field that a correction changed, as text of the file format; blank: not known."""

    field: str
    before: str
    after: str


@dataclass(frozen=True)
class Step:
    """What was done about a complaint; instants in UTC."""

    id: uuid.UUID
    step: StepKind
    at: datetime
    written_at: datetime
    by: str
    text: str | None
    changes: tuple[FieldChange, ...]
    hold: int | None
    hold_id: uuid.UUID | None
    case_id: uuid.UUID | None
    case_title: str | None
    photo_id: uuid.UUID | None


@dataclass(frozen=True)
class ComplaintView:
    """A complaint as it stands: `now` with its corrections applied, `original` as it arrived."""

    id: uuid.UUID
    number: int
    now: ComplaintFact
    original: ComplaintFact
    defect_title: str | None
    severity: str | None
    written_at: datetime
    written_by: str
    steps: tuple[Step, ...]

    @property
    def is_open(self) -> bool:
        """Whether it is not closed."""
        return not is_closed(one.step for one in self.steps)

    @property
    def answered_at(self) -> datetime | None:
        """When it was answered first."""
        return min((one.at for one in self.of(StepKind.ANSWERED)), default=None)

    @property
    def promised(self) -> Step | None:
        """Who answers next and by when, as it was written last."""
        return next(iter(self.of(StepKind.PROMISED)[-1:]), None)

    @property
    def told(self) -> Step | None:
        """When the quality authority was told of a risk, as it was written last."""
        return next(iter(self.of(StepKind.TOLD)[-1:]), None)

    @property
    def hold_ids(self) -> tuple[uuid.UUID, ...]:
        """Ids of the holds that belong to it."""
        found = [one.hold_id for one in self.of(StepKind.HELD)]
        return tuple(dict.fromkeys(one for one in found if one is not None))

    @property
    def photo_ids(self) -> tuple[uuid.UUID, ...]:
        """Ids of its pictures, the first one as it arrived."""
        found = [self.original.photo, *(one.photo_id for one in self.of(StepKind.PHOTO))]
        return tuple(dict.fromkeys(one for one in found if one is not None))

    @property
    def corrections(self) -> int:
        """How many corrections were made."""
        return len(self.of(StepKind.CORRECTED))

    def of(self, kind: StepKind) -> list[Step]:
        """Its steps of one kind, in the order in which they were written."""
        return [one for one in self.steps if one.step is kind]

    def age(self, as_of: datetime) -> Age:
        """How long the first answer took, or has taken so far."""
        return age(self.now.received_at, self.answered_at, as_of)


@dataclass(frozen=True)
class ComplaintFilter:
    """Which complaints are meant: open or closed ones, those of a pallet, those before a number."""

    is_open: bool | None = None
    pallet: str | None = None
    before: int | None = None


def complaints(
    session: Session, wanted: ComplaintFilter, as_of: datetime, most: int = MOST_COMPLAINTS
) -> list[ComplaintView]:
    """Complaints, the last written first. A fixed number of statements.

    What a complaint says of its pallet may have been corrected, and it may have been opened
    again, so that both are told from its steps.

    Args:
        session: an open session.
        wanted: which.
        as_of: UTC; only what was written by then.
        most: at most so many.
    """
    asked = select(Complaint).order_by(Complaint.number.desc())
    if wanted.before is not None:
        asked = asked.where(Complaint.number < wanted.before)
    if wanted.is_open is not None:
        closed = func.coalesce(_last_end(as_of), "") == StepKind.CLOSED.value
        asked = asked.where(~closed if wanted.is_open else closed)
    if wanted.pallet is None:
        return _views(session, asked.limit(most), as_of)
    # A correction may name the pallet, or take it back: those few are looked at one by one.
    corrected = (
        select(ComplaintStep.id)
        .where(
            ComplaintStep.complaint_id == Complaint.id, ComplaintStep.changes.contains('"pallet"')
        )
        .exists()
    )
    asked = asked.where(or_(Complaint.pallet == wanted.pallet, corrected))
    found = [one for one in _views(session, asked, as_of) if one.now.pallet == wanted.pallet]
    return found[:most]


def _last_end(as_of: datetime) -> Any:
    """Whether a complaint was closed or opened again last, in the order of writing; else null."""
    ends = (StepKind.CLOSED.value, StepKind.REOPENED.value)
    return (
        select(ComplaintStep.step)
        .join(AuditRecord, AuditRecord.id == ComplaintStep.audit_id)
        .where(
            ComplaintStep.complaint_id == Complaint.id,
            ComplaintStep.step.in_(ends),
            ComplaintStep.written_at <= as_of,
        )
        .order_by(AuditRecord.sequence.desc(), ComplaintStep.at.desc(), ComplaintStep.id.desc())
        .limit(1)
        .correlate(Complaint)
        .scalar_subquery()
    )


def complaint_numbered(session: Session, number: int, as_of: datetime) -> ComplaintView:
    """One complaint. A fixed number of statements.

    Raises:
        NotFound: there is no such complaint.
    """
    return _only(
        _views(session, select(Complaint).where(Complaint.number == number), as_of),
        _("there is no complaint %(number)d", number=number),
    )


def complaint_with_id(session: Session, key: uuid.UUID, as_of: datetime) -> ComplaintView:
    """One complaint by its id. A fixed number of statements.

    Raises:
        NotFound: there is no such complaint.
    """
    return _only(
        _views(session, select(Complaint).where(Complaint.id == key), as_of),
        _("there is no complaint with the id %(id)s", id=key),
    )


def _only(found: list[ComplaintView], missing: str) -> ComplaintView:
    if not found:
        raise NotFound(missing)
    return found[0]


def _views(session: Session, asked: Select[Complaint], as_of: datetime) -> list[ComplaintView]:
    rows = session.execute(asked.where(Complaint.written_at <= as_of)).scalars().all()
    kinds = {kind.id: kind for kind in vocabulary(session)}
    by_code = {kind.defect: kind for kind in kinds.values()}
    steps = _step_rows(session, [row.id for row in rows], as_of)
    found = []
    for row in rows:
        defect = kinds[row.defect_id].defect if row.defect_id is not None else None
        original = _as_fact(row, defect)
        now, told = _after(original, steps.get(row.id, []))
        kind = by_code.get(now.defect) if now.defect else None
        found.append(
            ComplaintView(
                id=row.id,
                number=row.number,
                now=now,
                original=original,
                defect_title=kind.title if kind else None,
                severity=kind.severity if kind else None,
                written_at=row.written_at,
                written_by=row.written_by,
                steps=tuple(told),
            )
        )
    return found


def _as_fact(row: Complaint, defect: str | None) -> ComplaintFact:
    return ComplaintFact.model_construct(
        id=row.id,
        received_at=row.received_at,
        customer_reference=row.customer_reference,
        code=parse_dome_code(row.code_as_read) if row.code_as_read else None,
        certainty=Certainty(row.certainty) if row.certainty else None,
        pallet=row.pallet,
        coil=row.coil,
        time_code=row.time_code,
        made_from=row.made_from,
        made_to=row.made_to,
        defect=defect,
        cans=row.cans,
        cans_run=row.cans_run,
        photo=row.photo_id,
        note=row.note,
    )


def _step_rows(
    session: Session, ids: list[uuid.UUID], as_of: datetime
) -> dict[uuid.UUID, list[tuple[ComplaintStep, int | None, str | None]]]:
    asked = (
        select(ComplaintStep, Hold.number, Case.title)
        .join(AuditRecord, AuditRecord.id == ComplaintStep.audit_id)
        .outerjoin(Hold, Hold.id == ComplaintStep.hold_id)
        .outerjoin(Case, Case.id == ComplaintStep.case_id)
        .where(ComplaintStep.complaint_id.in_(ids), ComplaintStep.written_at <= as_of)
        .order_by(AuditRecord.sequence, ComplaintStep.at, ComplaintStep.id)
    )
    found: dict[uuid.UUID, list[tuple[ComplaintStep, int | None, str | None]]] = {}
    for step, number, title in session.execute(asked):
        found.setdefault(step.complaint_id, []).append((step, number, title))
    return found


def _after(
    original: ComplaintFact, rows: list[tuple[ComplaintStep, int | None, str | None]]
) -> tuple[ComplaintFact, list[Step]]:
    """The complaint after its corrections, and its steps with what each changed."""
    values, told = values_of(original), []
    for row, number, title in rows:
        changes: dict[str, str] = json.loads(row.changes) if row.changes else {}
        said = tuple(FieldChange(name, values[name], new) for name, new in changes.items())
        values |= changes
        told.append(
            Step(
                row.id,
                StepKind(row.step),
                row.at.astimezone(UTC),
                row.written_at,
                row.by,
                row.text,
                said,
                number,
                row.hold_id,
                row.case_id,
                title,
                row.photo_id,
            )
        )
    if not any(one.changes for one in told):
        return original, told
    photo = None if original.photo is None else str(original.photo)
    sent = {name: values[name] for name in CORRECTABLE} | {"id": str(original.id), "photo": photo}
    return ComplaintFact.read(sent, UTC_ZONE), told
