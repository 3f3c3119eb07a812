"""Reads of earlier cases that were like one."""

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.cases.facts import ACTED
from tracelog.cases.models import Case, CaseExplanation, CaseLink, CaseUnlink
from tracelog.cases.opening.queries import KeptExplanation
from tracelog.cases.queries import CaseView, State, Step, views_of
from tracelog.cases.similar.rules import Likeness, Traits, most_alike
from tracelog.plant.models import Tool

MOST_READ = 500
MOST_TOLD = 5
# A tool counts for a case when the explanation of its opening was so sure of it.
SURE = 0.2
_ACTED = tuple(kind.value for kind in ACTED)


@dataclass(frozen=True)
class SimilarCase:
    """An earlier case and how alike it is.

    `fixed_by` is what was done last before it ended as held; None where it did not, or nothing was.
    """

    case: CaseView
    likeness: Likeness
    fixed_by: Step | None


def similar_cases(
    session: Session, about: CaseView, kept: KeptExplanation | None, most: int = MOST_TOLD
) -> list[SimilarCase]:
    """The earlier cases most like one, of the last 500. A fixed number of statements.

    Args:
        session: an open session.
        about: the case.
        kept: what explained it at its opening.
        most: at most so many.
    """
    asked = (
        select(Case)
        .where(Case.opened_at <= about.opened_at, Case.id != about.id)
        .order_by(Case.opened_at.desc(), Case.id.desc())
        .limit(MOST_READ)
    )
    earlier = views_of(session, session.execute(asked).scalars().all())
    if not earlier:
        return []
    tools = _tool_types(session, [about.id, *(one.id for one in earlier)])
    found = most_alike(
        _traits(about, tools.get(about.id, frozenset()) | _suspected([kept])),
        [_traits(one, tools.get(one.id, frozenset())) for one in earlier],
        most,
    )
    return [
        SimilarCase(earlier[place], likeness, fixed_by(earlier[place])) for place, likeness in found
    ]


def fixed_by(one: CaseView) -> Step | None:
    """What was done last at the machine before a case ended as held."""
    if one.state is not State.HELD:
        return None
    acted = [step for step in one.steps if step.kind in _ACTED]
    return max(acted, key=lambda step: step.at, default=None)


def _traits(one: CaseView, tools: frozenset[str]) -> Traits:
    text = " ".join([one.title, *(step.text for step in one.steps)])
    return Traits(one.defect, one.line, one.place, tools, text)


def _tool_types(
    session: Session, case_ids: Sequence[uuid.UUID]
) -> Mapping[uuid.UUID, frozenset[str]]:
    """Types of tools that are linked to cases or were suspected when they opened."""
    asked = (
        select(CaseLink.case_id, Tool.tool_type)
        .join(Tool, Tool.id == CaseLink.tool_id)
        .outerjoin(CaseUnlink, CaseUnlink.link_id == CaseLink.id)
        .where(
            CaseLink.case_id.in_(case_ids),
            CaseUnlink.link_id.is_(None),
            Tool.tool_type.is_not(None),
        )
    )
    found: dict[uuid.UUID, set[str]] = {}
    for case_id, tool_type in session.execute(asked):
        found.setdefault(case_id, set()).add(str(tool_type))
    kept = select(CaseExplanation).where(CaseExplanation.case_id.in_(case_ids))
    for row in session.execute(kept).scalars():
        told = KeptExplanation(row.asked_from, row.asked_to, row.made_at, row.answer)
        found.setdefault(row.case_id, set()).update(_suspected([told]))
    return {case_id: frozenset(types) for case_id, types in found.items()}


def _suspected(told: Iterable[KeptExplanation | None]) -> frozenset[str]:
    """Positions of tools that an explanation was sure enough of."""
    return frozenset(
        one["position"]
        for kept in told
        if kept is not None
        for one in kept.answer["explanations"]
        if one["position"] and one["probability"] >= SURE
    )
