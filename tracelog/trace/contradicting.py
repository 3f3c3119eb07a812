"""A code and a pallet or coil that contradict each other: what holds if either is right.

Which of the two is wrong the records cannot tell, so neither possibility gets a probability.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.language import _
from tracelog.plant.queries import Directory
from tracelog.trace.candidates import Candidate, Opening, weigh
from tracelog.trace.making import Question


@dataclass(frozen=True)
class Contradiction:
    """What contradicts what, in one sentence, and the machines in question either way.

    Attributes:
        sentence: what cannot be true together.
        by_code: machines if the code is right, so that the can did not lie there or was not of
            that coil.
        by_place: machines of the line of the pallet or coil if that is right, so that the code was
            misread; empty where none of them bears a code that is read like it.
    """

    sentence: str
    by_code: tuple[Candidate, ...]
    by_place: tuple[Candidate, ...]


def contradiction(
    session: Session,
    question: Question,
    openings: Sequence[Opening],
    machines: Directory,
    as_of: datetime,
) -> Contradiction | None:
    """Both possibilities of a code that no machine of the line bore; None: no machine bore it.

    Two statements more than a dossier takes.

    Args:
        session: an open session.
        question: with a code, and a pallet or a coil.
        openings: when the can may have been made on the line of the pallet or coil.
        machines: the directory.
        as_of: UTC; only what was known by then.
    """
    anywhere = [replace(one, line_id=None) for one in openings]
    by_code = weigh(session, question.code, anywhere, machines, as_of, defect=question.defect)
    if not by_code.candidates or by_code.note:
        return None
    by_place = weigh(
        *(session, question.code, openings, machines, as_of),
        is_doubted=True,
        defect=question.defect,
    )
    lines = {machines.line_numbers[one.line_id] for one in openings if one.line_id}
    sentence = _(
        "Code and %(place)s contradict each other: no bodymaker of line %(lines)s bore the code"
        " %(code)s then, and there the %(place)s was.",
        place=_said(question),
        lines=", ".join(str(line) for line in sorted(lines)),
        code=question.code,
    )
    return Contradiction(sentence, by_code.candidates, by_place.candidates)


def _said(question: Question) -> str:
    if question.pallet and question.coil:
        return _("pallet or coil")
    return _("pallet") if question.pallet else _("coil")
