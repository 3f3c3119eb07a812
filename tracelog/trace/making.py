"""When and on which line a can may have been made: from time, pallet and coil to intervals."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NoReturn

from sqlalchemy.orm import Session

from tracelog.errors import NotFound, TracelogError
from tracelog.instants import EARLIEST
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode
from tracelog.plant.queries import Directory, PlantView
from tracelog.plant.stays import PalletStay, coil_stays
from tracelog.trace.candidates import Opening
from tracelog.trace.rules import CUP_CONVEYOR, Made, made_before_pallet, narrowed


@dataclass(frozen=True)
class Question:
    """What is known of a can: its code, and when it was made or where it lay."""

    code: DomeCode | None = None
    at: datetime | None = None
    pallet: str | None = None
    coil: str | None = None


def openings(
    session: Session,
    question: Question,
    pallet: PalletStay | None,
    plant: PlantView,
    as_of: datetime,
) -> list[Opening]:
    """When and on which line the can may have been made, as far as time, pallet and coil say."""
    made = Made(question.at, question.at, _("the time given")) if question.at else None
    line_id = pallet.line_id if pallet else None
    if pallet is not None:
        filled = made_before_pallet(pallet.started_at, pallet.ended_at, plant.transit_minutes)
        made = narrowed(made, filled) if made else filled
        if made is None:
            raise TracelogError(_("time and pallet do not go together: no can fits both"), "at")
    if not question.coil:
        return [Opening(made or Made(as_of, as_of, _("no time given: the present")), line_id)]
    runs = coil_stays(session, EARLIEST, as_of, coil=question.coil, as_of=as_of)
    if not runs:
        raise NotFound(_("there is no run of coil '%(coil)s'", coil=question.coil), "coil")
    found = []
    for run in runs:
        basis = _("the coil's time on the line")
        there = Made(run.started_at, (run.ended_at or as_of) + CUP_CONVEYOR, basis)
        both = narrowed(made, there) if made else there
        if both is not None and line_id in (None, run.line_id):
            found.append(Opening(both, run.line_id))
    if not found:
        raise TracelogError(
            _("time, pallet and coil do not go together: no can fits all of them"),
            "at" if question.at else "coil",
        )
    return found


def not_of_that_line(
    question: Question, openings: Sequence[Opening], machines: Directory
) -> NoReturn:
    """Say that no machine of the pallet's or the coil's line bore the code."""
    lines = {machines.line_numbers[one.line_id] for one in openings if one.line_id}
    raise TracelogError(
        _(
            "no bodymaker of line %(lines)s bore the code %(code)s then, and there the pallet or"
            " coil was; read the code again, or leave pallet and coil out",
            lines=", ".join(str(line) for line in sorted(lines)),
            code=question.code,
        ),
        "code",
    )
