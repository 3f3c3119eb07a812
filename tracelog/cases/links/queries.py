"""Reads of what belongs to a case."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.cases.models import CaseLink, CaseUnlink, Complaint, SequenceCheck
from tracelog.defects.models import DefectType, Entry, Photo
from tracelog.plant.models import Coil, Pallet, Tool
from tracelog.plant.queries import directory
from tracelog.trace.models import Hold


@dataclass(frozen=True)
class LinkView:
    """One thing that belongs to a case.

    Attributes:
        id: of the link.
        target: what it is, a name of `links.facts.TARGETS`.
        key: the row's own id.
        name: what people call it: 3-7, a serial, a number; of an entry its code and its defect.
        at: when it was seen or taken, where it has an instant; UTC.
        note, by, written_at: of the link; UTC.
        taken_back: why it was taken back; None: it stands.
    """

    id: uuid.UUID
    target: str
    key: uuid.UUID
    name: str
    at: datetime | None
    note: str | None
    by: str
    written_at: datetime
    taken_back: str | None = None

    @property
    def stands(self) -> bool:
        """Whether it was not taken back."""
        return self.taken_back is None


def links_of(session: Session, case_id: uuid.UUID) -> list[LinkView]:
    """Everything that was linked to a case, in the order in which it was. Two statements."""
    places = directory(session)
    kind_of_entry = select(DefectType.defect).where(DefectType.id == Entry.defect_id)
    asked = (
        select(
            CaseLink,
            Tool.serial,
            Coil.coil,
            Pallet.pallet,
            Hold.number.label("hold"),
            DefectType.defect,
            Entry.dome_code,
            Entry.seen_at,
            kind_of_entry.correlate(Entry).scalar_subquery().label("entry_defect"),
            Complaint.number.label("complaint"),
            Complaint.received_at,
            Photo.stored_at,
            SequenceCheck.taken_after,
            SequenceCheck.taken_at,
            CaseUnlink.reason,
        )
        .select_from(CaseLink)
        .outerjoin(Tool, Tool.id == CaseLink.tool_id)
        .outerjoin(Coil, Coil.id == CaseLink.coil_id)
        .outerjoin(Pallet, Pallet.id == CaseLink.pallet_id)
        .outerjoin(Hold, Hold.id == CaseLink.hold_id)
        .outerjoin(DefectType, DefectType.id == CaseLink.defect_id)
        .outerjoin(Entry, Entry.id == CaseLink.entry_id)
        .outerjoin(Complaint, Complaint.id == CaseLink.complaint_id)
        .outerjoin(Photo, Photo.id == CaseLink.photo_id)
        .outerjoin(SequenceCheck, SequenceCheck.id == CaseLink.sequence_check_id)
        .outerjoin(CaseUnlink, CaseUnlink.link_id == CaseLink.id)
        .where(CaseLink.case_id == case_id)
        .order_by(CaseLink.written_at, CaseLink.id)
    )
    found = []
    for row in session.execute(asked):
        one: CaseLink = row.CaseLink
        machine = places.by_id[one.machine_id].text if one.machine_id else ""
        told: Sequence[tuple[str, uuid.UUID | None, str, datetime | None]] = (
            ("machine", one.machine_id, machine, None),
            ("tool", one.tool_id, row.serial, None),
            ("coil", one.coil_id, row.coil, None),
            ("pallet", one.pallet_id, row.pallet, None),
            ("hold", one.hold_id, str(row.hold), None),
            ("defect", one.defect_id, row.defect, None),
            ("entry", one.entry_id, f"{row.dome_code or '?'} {row.entry_defect}", row.seen_at),
            ("complaint", one.complaint_id, str(row.complaint), row.received_at),
            ("photo", one.photo_id, str(one.photo_id), row.stored_at),
            ("sequence_check", one.sequence_check_id, row.taken_after or "", row.taken_at),
        )
        target, key, name, at = next(
            (target, key, name, at) for target, key, name, at in told if key is not None
        )
        found.append(
            LinkView(*(one.id, target, key, name, at, one.note, one.by, one.written_at, row.reason))
        )
    return found
