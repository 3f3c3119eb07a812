"""The documented answers about counters, the same for command and API."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from tracelog.strokes.question_rules import QuestionKind
from tracelog.strokes.questions import (
    JumpQuestion,
    Settled,
    Silence,
    jump_questions,
    settled_jumps,
    silences,
)

_HOUR = timedelta(hours=1)
# The settlements of a plant's life are some hundreds.
MOST_SETTLED = 1000


def questions_answer(
    session: Session, as_of: datetime, machine_id: Any = None, *, settled: bool = False
) -> dict[str, Any]:
    """What is open about counters as JSON-ready values, and what was settled if it is asked for.

    Args:
        session: an open session.
        as_of: UTC; only what was known by then.
        machine_id: of one machine; None: of all.
        settled: whether the latest settlements are told too.
    """
    jumps = [one for one in jump_questions(session, as_of) if machine_id in (None, one.machine.id)]
    answer: dict[str, Any] = {
        "as_of": as_of,
        "questions": [
            *map(_jump_answer, jumps),
            *_silence_answers(silences(session, as_of, machine_id).values()),
        ],
    }
    if settled:
        found = settled_jumps(session, as_of, MOST_SETTLED, machine_id)
        answer["settled"] = _settled_answers(found)
    return answer


def _jump_answer(one: JumpQuestion) -> dict[str, Any]:
    figures, last = one.figures, one.last_settlement
    return {
        "machine": one.machine.text,
        "kind": one.kind.value,
        "from_at": figures.from_at,
        "to_at": figures.to_at,
        "from_strokes": figures.from_strokes,
        "to_strokes": figures.to_strokes,
        "strokes_estimated": one.estimate,
        "strokes_shown": one.shown,
        "usual_hours": None,
        "last_settled_at": last and last.settled_at,
    }


def _silence_answers(found: Iterable[Silence]) -> list[dict[str, Any]]:
    return [
        {
            "machine": one.machine.text,
            "kind": QuestionKind.SILENCE.value,
            "from_at": one.last_at,
            "to_at": None,
            "from_strokes": one.strokes,
            "to_strokes": None,
            "strokes_estimated": None,
            "strokes_shown": None,
            "usual_hours": None if one.usual is None else round(one.usual / _HOUR, 2),
            "last_settled_at": None,
        }
        for one in found
    ]


def _settled_answers(found: Sequence[Settled]) -> list[dict[str, Any]]:
    return [
        {
            "machine": one.machine.text,
            "to_at": one.settlement.to_at,
            "settled_at": one.settlement.settled_at,
            "verdict": one.settlement.verdict.value,
            "from_at": one.settlement.from_at,
            "strokes": one.settlement.strokes,
            "settled_by": one.settlement.settled_by,
            "note": one.settlement.note,
            "in_force": one.is_in_force,
        }
        for one in found
    ]
