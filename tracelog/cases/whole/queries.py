"""Everything that is known of one case, read once for page, print, API and command."""

import uuid
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.cases.causes import LikelyCause
from tracelog.cases.cost.queries import cost_of
from tracelog.cases.cost.rules import Cost
from tracelog.cases.links.queries import LinkView, links_of
from tracelog.cases.opening.queries import KeptExplanation, kept_explanation
from tracelog.cases.queries import CaseStanding, case, likely_causes
from tracelog.cases.similar.queries import SimilarCase, similar_cases
from tracelog.cases.since.queries import Course, course_of


@dataclass(frozen=True)
class WholeCase:
    """One case with what belongs to it, what it cost, and what was like it.

    `kept` is what explained it at its opening; `causes` are weighed by that.
    """

    standing: CaseStanding
    links: tuple[LinkView, ...]
    kept: KeptExplanation | None
    causes: tuple[LikelyCause, ...]
    similar: tuple[SimilarCase, ...]
    cost: Cost
    course: Course


def whole_case(session: Session, case_id: uuid.UUID, now: datetime) -> WholeCase:
    """Everything that is known of one case. A fixed number of statements.

    Raises:
        NotFound: there is no such case.
    """
    standing = case(session, case_id, now)
    about = standing.case
    links = links_of(session, case_id)
    kept = kept_explanation(session, case_id)
    return WholeCase(
        standing,
        tuple(links),
        kept,
        tuple(likely_causes(session, about, kept.answer if kept else None)),
        tuple(similar_cases(session, about, kept)),
        cost_of(session, about, links, now),
        course_of(session, about, standing.verification.before, now),
    )
