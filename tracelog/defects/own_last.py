"""What somebody logged last: to say that it is kept, to undo it within the minute, to log it again.

Who logged it and when is taken from the audit record, so that the server's clock decides and not
the one of a tablet.
"""

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, AuditRecord
from tracelog.defects.facts import CorrectionFact
from tracelog.defects.models import CurrentEntry, Entry
from tracelog.defects.queries import EntryRecord, EntryView, entry_view
from tracelog.defects.selecting import ROW_COLUMNS, chosen_rows, surroundings
from tracelog.errors import Conflict, NotAllowed, NotFound
from tracelog.instants import zone_named
from tracelog.language import _, later

UNDONE_WITHIN = timedelta(seconds=60)
# Nobody finds the next can and taps again within this time: it is the same tap, bounced.
SAME_TAP_WITHIN = timedelta(seconds=2)
# About a shift: what was logged before is nobody's last can any more.
REMEMBERED_FOR = timedelta(hours=12)
_LOOKED_AT = 6


@dataclass(frozen=True)
class OwnLast:
    """What somebody logged last, as it stands, and when the server kept it (UTC)."""

    entry: EntryView
    kept_at: datetime

    @property
    def undone_until(self) -> datetime:
        """Until when who logged it may undo it."""
        return self.kept_at + UNDONE_WITHIN


def own_last(session: Session, actor: Actor, now: datetime) -> OwnLast | None:
    """The last entry that this person logged by itself and that still counts; None: none lately.

    Two statements beside those of the surroundings.

    Args:
        session: an open session.
        actor: whose.
        now: UTC.
    """
    records = session.execute(
        select(AuditRecord.subject, AuditRecord.at)
        .where(
            AuditRecord.actor == actor.name,
            AuditRecord.at >= now - REMEMBERED_FOR,
            AuditRecord.action == "log entries",
            AuditRecord.subject_kind == "entry",
            AuditRecord.subject != "several",
        )
        .order_by(AuditRecord.sequence.desc())
        .limit(_LOOKED_AT)
    ).all()
    kept_at = {uuid.UUID(row.subject): row.at for row in records}
    if not kept_at:
        return None
    asked = select(*ROW_COLUMNS).where(CurrentEntry.entry_id.in_(kept_at))
    found = {row["entry_id"]: row for row in chosen_rows(session, asked)}
    for entry_id, moment in kept_at.items():
        if entry_id in found:
            view = entry_view(found[entry_id], surroundings(session, None))
            return OwnLast(view, moment)
    return None


def is_same_tap(session: Session, entry_id: uuid.UUID, actor: Actor, now: datetime) -> bool:
    """Whether this person logged that entry a moment ago, so that logging it again is a bounce.

    One statement.
    """
    found = _record(session, entry_id)
    return found is not None and found[0] == actor.name and now - found[1] < SAME_TAP_WITHIN


def undoing(
    session: Session, record: EntryRecord, actor: Actor, now: datetime
) -> CorrectionFact | None:
    """The withdrawal of an entry by who logged it, within the minute. One statement.

    Its id follows from the entry, so that two taps are one withdrawal; None: it was undone before.

    Raises:
        NotAllowed: somebody else logged it.
        Conflict: the minute is over, or somebody else has corrected the entry meanwhile.
    """
    entry_id = record.original.id
    undone = uuid.uuid5(entry_id, "undone")
    found = _record(session, entry_id)
    if found is None:
        raise NotFound(_("there is no entry with the id %(id)s", id=entry_id))
    if found[0] != actor.name:
        raise NotAllowed(
            _("somebody else logged this; correct or withdraw it on its page, with a reason")
        )
    if any(one.id == undone for one in record.corrections):
        return None
    if any(one.corrected_by != actor.name for one in record.corrections):
        raise Conflict(_("somebody has corrected this entry meanwhile; look at it again"))
    if now - found[1] > UNDONE_WITHIN:
        raise Conflict(
            _("the minute is over; correct or withdraw the entry on its page, with a reason")
        )
    said: dict[str, object] = {"id": undone, "entry": entry_id, "withdrawn": True}
    # Kept in English, whoever undoes it; shown in the reader's language.
    said["reason"] = later("undone within the minute")
    return CorrectionFact.read(said, zone_named("UTC"))


def _record(session: Session, entry_id: uuid.UUID) -> tuple[str, datetime] | None:
    row = session.execute(
        select(AuditRecord.actor, AuditRecord.at)
        .join(Entry, Entry.audit_id == AuditRecord.id)
        .where(Entry.id == entry_id)
    ).one_or_none()
    return None if row is None else (row.actor, row.at)
