"""Reads for EPCIS events of a pallet or of a coil; a fixed number of statements each."""

import uuid
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.audit import AuditRecord
from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.plant.models import Coil, CoilRun, Pallet
from tracelog.plant.queries import Directory, directory, the_plant
from tracelog.plant.stays import coil_stays
from tracelog.strokes.queries import Span, strokes_between
from tracelog.trace.epcis import (
    HoldFact,
    PalletFact,
    RunFact,
    document,
    of_coil,
    of_pallet,
)
from tracelog.trace.epcis_names import Names, checked_base
from tracelog.trace.models import Hold, HoldStep
from tracelog.trace.rules import CUP_CONVEYOR, made_before_pallet

# More runs than this a coil never had, nor a pallet's cans.
_MOST_RUNS = 500


def epcis_of(
    session: Session, pallet: str | None, coil: str | None, base: str | None, as_of: datetime
) -> dict[str, Any]:
    """The EPCIS document of a pallet, or else of a coil; see the two below."""
    if pallet is not None:
        return epcis_of_pallet(session, pallet, base, as_of)
    return epcis_of_coil(session, coil or "", base, as_of)


def epcis_of_pallet(
    session: Session, pallet: str, base: str | None, as_of: datetime
) -> dict[str, Any]:
    """The EPCIS document of a pallet.

    Args:
        session: an open session.
        pallet: its number.
        base: the plant's own base for identifiers; None: `urn:uuid:`.
        as_of: UTC; only what was known by then; also when the document is made.

    Raises:
        NotFound: no such pallet; at the field ``pallet``.
        TracelogError: the base is none.
    """
    plant = the_plant(session)
    names = Names(checked_base(base), plant.id)
    row = session.execute(
        select(
            *(Pallet.id, Pallet.pallet, Pallet.line_id, Pallet.started_at, Pallet.ended_at),
            Pallet.cans,
        ).where(Pallet.pallet == pallet, Pallet.started_at <= as_of)
    ).one_or_none()
    if row is None:
        raise NotFound(_("there is no pallet '%(pallet)s' on record", pallet=pallet), "pallet")
    places = directory(session)
    ended_at = row.ended_at if row.ended_at is None or row.ended_at <= as_of else None
    made = made_before_pallet(row.started_at, ended_at, plant.transit_minutes)
    window = (made.start, made.end)
    stays = coil_stays(
        session, made.start - CUP_CONVEYOR, made.end, line_id=row.line_id, as_of=as_of
    )
    runs = _runs(session, sorted({one.coil for one in stays}), places, as_of)
    mine = {(one.coil, one.line_id, one.started_at) for one in stays}
    fact = PalletFact(
        *(row.id, row.pallet, places.line_numbers[row.line_id], row.line_id, row.started_at),
        *(ended_at, row.cans if ended_at is not None else None, window),
        _line_strokes(session, places, [(row.line_id, *window)], as_of)[0],
        tuple(run for run in runs if (run.coil, run.line_id, run.started_at) in mine),
        tuple(_holds(session, pallet, as_of)),
    )
    return document(of_pallet(fact, names, plant.zone), as_of, names)


def epcis_of_coil(session: Session, coil: str, base: str | None, as_of: datetime) -> dict[str, Any]:
    """The EPCIS document of a coil; arguments as `epcis_of_pallet`.

    Raises:
        NotFound: the coil was on no line; at the field ``coil``.
        TracelogError: the base is none.
    """
    plant = the_plant(session)
    names = Names(checked_base(base), plant.id)
    places = directory(session)
    runs = _runs(session, [coil], places, as_of)
    if not runs:
        raise NotFound(_("there is no run of coil '%(coil)s'", coil=coil), "coil")
    windows = [(run.line_id, run.started_at, run.ended_at or as_of) for run in runs]
    strokes = _line_strokes(session, places, windows, as_of)
    counted = [replace(run, strokes=made) for run, made in zip(runs, strokes, strict=True)]
    return document(of_coil(counted, names, plant.zone), as_of, names)


def _runs(
    session: Session, coils: Sequence[str], places: Directory, as_of: datetime
) -> list[RunFact]:
    """Every run of some coils by time, without strokes; ends as `coil_stays` tells them."""
    if not coils:
        return []
    asked = (
        select(CoilRun.id, CoilRun.coil_id, Coil.coil, CoilRun.line_id, CoilRun.started_at)
        .join(Coil, Coil.id == CoilRun.coil_id)
        .where(Coil.coil.in_(coils), CoilRun.started_at <= as_of)
        .order_by(CoilRun.started_at, CoilRun.id)
        .limit(_MOST_RUNS)
    )
    rows = session.execute(asked).all()
    if not rows:
        return []
    first = rows[0].started_at
    ends = {
        (one.coil, one.line_id, one.started_at): one.ended_at
        for one in coil_stays(session, first, as_of, coils=coils, as_of=as_of)
    }
    seen: set[str] = set()
    found = []
    for row in rows:
        ended_at = ends.get((row.coil, row.line_id, row.started_at))
        found.append(
            RunFact(
                *(row.id, row.coil, row.coil_id, places.line_numbers[row.line_id], row.line_id),
                *(row.started_at, ended_at, 0, row.coil not in seen),
            )
        )
        seen.add(row.coil)
    return found


def _line_strokes(
    session: Session,
    places: Directory,
    windows: Sequence[tuple[uuid.UUID, datetime, datetime]],
    as_of: datetime,
) -> list[int]:
    """Strokes of each line's bodymakers in a window."""
    spans, owners = list[Span](), list[int]()
    for place, (line_id, start, end) in enumerate(windows):
        for machine in places.bodymakers:
            if machine.line_id == line_id:
                spans.append(Span(machine.id, start, max(end, start + timedelta(microseconds=1))))
                owners.append(place)
    found = [0] * len(windows)
    for place, strokes in zip(owners, strokes_between(session, spans, as_of), strict=True):
        found[place] += strokes
    return found


def _holds(session: Session, pallet: str, as_of: datetime) -> list[HoldFact]:
    """The steps of holds that are about a pallet, in the order in which they were written."""
    asked = (
        select(
            *(HoldStep.id, Hold.number, HoldStep.step, HoldStep.at),
            *(HoldStep.inspected, HoldStep.defective),
        )
        .join(Hold, Hold.id == HoldStep.hold_id)
        .join(AuditRecord, AuditRecord.id == HoldStep.audit_id)
        .where(HoldStep.pallet == pallet, HoldStep.written_at <= as_of)
        .order_by(AuditRecord.sequence, HoldStep.id)
    )
    return [HoldFact(*row) for row in session.execute(asked)]
