"""Candidates of a code that can hardly be read, for pages of the rooms below."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.defects.settling import known_by
from tracelog.errors import TracelogError
from tracelog.plant.dome_code import DomeCode
from tracelog.plant.queries import directory, the_plant
from tracelog.plant.stays import pallet_named
from tracelog.trace.candidates import Candidate, weigh
from tracelog.trace.making import Question, openings


def offered(
    session: Session,
    code: DomeCode,
    as_of: datetime,
    *,
    is_doubted: bool = False,
    made_at: datetime | None = None,
    seen_at: datetime | None = None,
    found_at: str | None = None,
    pallet: str | None = None,
    coil: str | None = None,
    defect: str | None = None,
) -> Sequence[Candidate]:
    """Machines that may have made a can, the likeliest first.

    Args:
        session: an open session.
        code: as read.
        as_of: UTC; only what was known by then.
        is_doubted: the reader was unsure.
        made_at: when the can was made, if known.
        seen_at, found_at: when and at which station it was found.
        pallet, coil: as noted; what is not on record, or contradicts the rest, is left out.
        defect: its code.

    Returns:
        None at all where nothing may be read like it.
    """
    noted = [(pallet, coil), (None, None)] if pallet or coil else [(None, None)]
    for one_pallet, one_coil in noted:
        question = Question(
            code,
            made_at,
            one_pallet,
            one_coil,
            None if made_at else seen_at,
            found_at,
            is_doubted=is_doubted,
            defect=defect,
        )
        try:
            return _weighed(session, question, as_of)
        except TracelogError:
            continue
    return ()


def _weighed(session: Session, question: Question, as_of: datetime) -> Sequence[Candidate]:
    stay = pallet_named(session, question.pallet, as_of) if question.pallet else None
    found = openings(session, question, stay, the_plant(session), as_of)
    machines = known_by(directory(session), as_of)
    return weigh(
        session,
        question.code,
        found,
        machines,
        as_of,
        is_doubted=question.is_doubted,
        defect=question.defect,
    ).candidates
