"""Reads of what the numbers said when a case was opened, and what they say now."""

import json
import logging
import uuid
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.audit import as_json
from tracelog.cases.explain.answers import explain_answer
from tracelog.cases.explain.explaining import explain
from tracelog.cases.explain.questions import LONGEST, USUAL, question
from tracelog.cases.models import CaseExplanation
from tracelog.language import in_language
from tracelog.locales import ENGLISH
from tracelog.plant.queries import directory, the_plant

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True)
class KeptExplanation:
    """What was kept: the period asked about (UTC), when, and the documented answer as JSON."""

    asked_from: datetime
    asked_to: datetime
    made_at: datetime
    text: str

    @property
    def answer(self) -> dict[str, Any]:
        """The documented answer."""
        found: dict[str, Any] = json.loads(self.text)
        return found


def kept_explanation(session: Session, case_id: uuid.UUID) -> KeptExplanation | None:
    """What the numbers said when a case was opened; None where nothing was kept. One statement."""
    row = session.execute(
        select(CaseExplanation).where(CaseExplanation.case_id == case_id)
    ).scalar_one_or_none()
    if row is None:
        return None
    return KeptExplanation(row.asked_from, row.asked_to, row.made_at, row.answer)


def explain_for_case(
    session: Session, defect: str, since_at: datetime, now: datetime
) -> KeptExplanation:
    """What explains a case's defect: over the last eight weeks, or since the trouble began.

    Args:
        session: an open session.
        defect: code.
        since_at: since when it has been seen, UTC; of more than a year the last year counts.
        now: UTC.

    Raises:
        TracelogError: the defect is none of this plant's.
    """
    start = max(min(since_at, now - USUAL), now - LONGEST)
    asked = question(session, defect, start, now, now)
    plant = the_plant(session)
    answer = explain_answer(explain(session, plant, directory(session), asked), plant.zone)
    return KeptExplanation(asked.start, asked.end, now, as_json(answer) or "{}")


def explain_if_possible(
    session: Session, defect: str, since_at: datetime, now: datetime
) -> KeptExplanation | None:
    """As `explain_for_case`; None where it cannot be explained, so that a case opens anyhow.

    It is kept, so that its sentences are English whoever opens the case. What goes wrong is
    undone, and told in the program's log.
    """
    try:
        with in_language(ENGLISH), session.begin_nested():
            return explain_for_case(session, defect, since_at, now)
    except Exception:
        _LOG.exception("the explanation of %s could not be worked out; the case opens", defect)
        return None
