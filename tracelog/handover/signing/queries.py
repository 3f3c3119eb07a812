"""Reads of signatures: who handed a shift over, who took it over, and which shifts lack one."""

import json
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.buckets import Bucket
from tracelog.defects.counts import production_counts
from tracelog.defects.queries import EntryFilter
from tracelog.errors import NotFound
from tracelog.handover.models import HandoverSignature
from tracelog.handover.signing.facts import Side
from tracelog.language import _
from tracelog.plant.queries import PlantView
from tracelog.plant.rules import ShiftNow


class Signed(StrEnum):
    """How far a handover has come."""

    NOT = "not signed"
    HANDED_OVER = "handed over"
    TAKEN_OVER = "taken over"


@dataclass(frozen=True)
class SignatureView:
    """One signature; `shown` is the page as it was signed."""

    id: uuid.UUID
    shift_started_at: datetime
    side: Side
    words: str | None
    signed_at: datetime
    signed_by: str
    shown: dict[str, Any]


@dataclass(frozen=True)
class Signatures:
    """The signatures of one shift."""

    outgoing: SignatureView | None = None
    incoming: SignatureView | None = None

    @property
    def state(self) -> Signed:
        """How far the handover has come."""
        if self.incoming is not None:
            return Signed.TAKEN_OVER
        return Signed.NOT if self.outgoing is None else Signed.HANDED_OVER

    @property
    def last(self) -> SignatureView | None:
        """The later of the two."""
        return self.incoming or self.outgoing


@dataclass(frozen=True)
class PastShift:
    """A shift of the list: how far its handover came, and what was logged in it."""

    shift: ShiftNow
    signatures: Signatures
    entries: int
    cans: int


def signatures_of(session: Session, started_at: Sequence[datetime]) -> dict[datetime, Signatures]:
    """Signatures of some shifts by their start. One statement.

    Args:
        session: an open session.
        started_at: UTC; when each shift started.
    """
    rows = session.execute(
        select(HandoverSignature)
        .where(
            HandoverSignature.shift_started_at.in_(list(started_at)),
            HandoverSignature.line_id.is_(None),
        )
        .order_by(HandoverSignature.signed_at, HandoverSignature.id)
    ).scalars()
    found: dict[datetime, dict[str, SignatureView]] = {}
    for row in rows:
        view = SignatureView(
            *(row.id, row.shift_started_at, Side(row.side), row.words),
            *(row.signed_at, row.signed_by, json.loads(row.shown)),
        )
        found.setdefault(row.shift_started_at, {})[row.side] = view
    return {
        moment: Signatures(
            found.get(moment, {}).get(Side.OUTGOING), found.get(moment, {}).get(Side.INCOMING)
        )
        for moment in started_at
    }


def past_shifts(
    session: Session, plant: PlantView, until: datetime, most: int, as_of: datetime
) -> list[PastShift]:
    """Shifts that began at or before an instant, the latest first; none without shifts.

    Args:
        session: an open session.
        plant: for its shifts.
        until: UTC; the shift that holds it comes first.
        most: how many.
        as_of: UTC; only what was known by then.

    Returns:
        A fixed number of statements.
    """
    shifts: list[ShiftNow] = []
    present = plant.shift_at(until)
    while present is not None and len(shifts) < most:
        shifts.append(present)
        present = plant.shift_at(present.started_at - timedelta(minutes=1))
    if not shifts:
        return []
    signed = signatures_of(session, [one.started_at for one in shifts])
    asked = EntryFilter(start=shifts[-1].started_at, end=shifts[0].ended_at, as_of=as_of)
    counted = {
        row.bucket_start: row
        for row in production_counts(session, asked, by=("bucket",), bucket=Bucket.SHIFT)
    }
    return [
        PastShift(
            one,
            signed[one.started_at],
            counted[one.started_at].entries if one.started_at in counted else 0,
            counted[one.started_at].cans if one.started_at in counted else 0,
        )
        for one in shifts
    ]


def shown_page(session: Session, signature_id: uuid.UUID) -> dict[str, Any]:
    """The page as it was when it was signed. One statement.

    Raises:
        NotFound: there is no such signature.
    """
    shown = session.execute(
        select(HandoverSignature.shown).where(HandoverSignature.id == signature_id)
    ).scalar_one_or_none()
    if shown is None:
        raise NotFound(_("there is no signature with the id %(id)s", id=signature_id))
    answer: dict[str, Any] = json.loads(shown)
    return answer
