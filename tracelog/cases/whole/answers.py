"""The documented answer about one case, and cases as a table; instants in UTC."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.cases.answers import case_answer, standing_answer
from tracelog.cases.cost.rules import Cost
from tracelog.cases.links.queries import LinkView
from tracelog.cases.opening.comparing import Beside
from tracelog.cases.opening.queries import KeptExplanation
from tracelog.cases.queries import CaseView
from tracelog.cases.similar.queries import SimilarCase, fixed_by
from tracelog.cases.since.queries import Course
from tracelog.cases.whole.queries import WholeCase
from tracelog.web.sheets import Sheet

COLUMNS = (
    *("id", "title", "state", "place", "defect", "since_at", "opened_at", "opened_by"),
    *("age_days", "last_step_at", "minutes_down", "fixed_by"),
)


def whole_answer(whole: WholeCase) -> dict[str, Any]:
    """One case with the numbers, causes, links, cost, course and cases that were like it."""
    return {
        **standing_answer(whole.standing, whole.causes),
        "links": [link_answer(one) for one in whole.links if one.stands],
        "cost": cost_answer(whole.cost),
        "similar": [similar_answer(one) for one in whole.similar],
        "since_action": course_answer(whole.course),
        "explanation_at_opening": None if whole.kept is None else kept_answer(whole.kept),
    }


def link_answer(one: LinkView) -> dict[str, Any]:
    """One thing that belongs to a case."""
    return {
        "id": str(one.id),
        "target": one.target,
        "name": one.name,
        "target_id": str(one.key),
        "at": one.at,
        "note": one.note,
        "by": one.by,
        "written_at": one.written_at,
    }


def cost_answer(cost: Cost) -> dict[str, Any]:
    """What a case cost."""
    return {
        "cans": cost.cans,
        "cans_at_usual_rate": None if cost.expected is None else round(cost.expected, 1),
        "cans_above_usual": None if cost.above_usual is None else round(cost.above_usual, 1),
        "entries": cost.entries,
        "strokes": cost.strokes,
        "scrapped_strokes": cost.scrapped_strokes,
        "minutes_down": cost.minutes_down,
        "strokes_not_made": cost.strokes_not_made,
        "pallets_on_hold": cost.pallets,
        "cans_on_hold": cost.pallet_cans,
    }


def similar_answer(one: SimilarCase) -> dict[str, Any]:
    """An earlier case, how alike it is, and what fixed it."""
    return {
        "id": str(one.case.id),
        "title": one.case.title,
        "state": one.case.state.value,
        "place": one.case.place,
        "defect": one.case.defect,
        "opened_at": one.case.opened_at,
        "score": round(one.likeness.score, 4),
        "same_defect": one.likeness.same_defect,
        "same_machine": one.likeness.same_machine,
        "tool_types": list(one.likeness.tool_types),
        "words": round(one.likeness.words, 4),
        "confirmed": one.case.confirmed,
        "fixed_by": None if one.fixed_by is None else one.fixed_by.text,
    }


def course_answer(course: Course) -> list[dict[str, Any]]:
    """How it went since the last action."""
    return [
        {
            "at": at,
            "strokes": point.strokes,
            "happenings": point.happenings,
            "expected": round(point.expected, 3),
            "limit": point.limit,
        }
        for at, point in zip(course.moments, course.points, strict=False)
    ]


def kept_answer(kept: KeptExplanation) -> dict[str, Any]:
    """What explained a case at its opening, with the answer of `explain` as it was."""
    return {
        "from": kept.asked_from,
        "to": kept.asked_to,
        "made_at": kept.made_at,
        "answer": kept.answer,
    }


def beside_answer(
    kept: KeptExplanation | None, live: KeptExplanation, rows: Sequence[Beside]
) -> dict[str, Any]:
    """What explained a case at its opening beside what explains it now."""
    return {
        "at_opening": None if kept is None else kept_answer(kept),
        "now": kept_answer(live),
        "beside": [
            {"what": one.title, "then": one.then, "now": one.now, "became": one.became}
            for one in rows
        ],
    }


def cases_answer(
    found: Sequence[CaseView], next_cursor: str | None, now: datetime
) -> dict[str, Any]:
    """A page of the list."""
    listed = [{**case_answer(one), "age_days": round(one.age_days(now), 2)} for one in found]
    return {"cases": listed, "next_cursor": next_cursor}


def cases_sheet(found: Sequence[CaseView], now: datetime, zone: ZoneInfo) -> Sheet:
    """Cases as a table for files: one row for each, as it stands."""
    rows = []
    for one in found:
        fix = fixed_by(one)
        down = [step.minutes_down for step in one.steps if step.minutes_down is not None]
        rows.append(
            (
                *(str(one.id), one.title, one.state.value, one.place, one.defect),
                *(one.since_at, one.opened_at, one.opened_by, round(one.age_days(now), 2)),
                max((step.at for step in one.steps), default=None),
                sum(down) if down else None,
                None if fix is None else fix.text,
            )
        )
    return Sheet("Cases", COLUMNS, tuple(rows), zone)
