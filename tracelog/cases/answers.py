"""The documented answers about cases; instants in UTC."""

from collections.abc import Sequence
from typing import Any

from tracelog.cases.causes import LikelyCause
from tracelog.cases.queries import CaseStanding, CaseView
from tracelog.cases.rules import Side, Verification


def case_answer(case: CaseView) -> dict[str, Any]:
    """One case with its steps; `state` is a word of `queries.State`."""
    return {
        "id": str(case.id),
        "title": case.title,
        "defect": case.defect,
        "place": case.place,
        "since_at": case.since_at,
        "opened_at": case.opened_at,
        "opened_by": case.opened_by,
        "state": case.state.value,
        "came_back_at": case.came_back_at,
        "steps": [
            {
                "id": str(step.id),
                "kind": step.kind,
                "at": step.at,
                "text": step.text,
                "by": step.by,
                "minutes_down": step.minutes_down,
                "change": step.change,
            }
            for step in case.steps
        ],
    }


def standing_answer(standing: CaseStanding, causes: Sequence[LikelyCause]) -> dict[str, Any]:
    """One case, what the numbers say of its last action, and likely causes, likeliest first."""
    return {
        **case_answer(standing.case),
        "numbers": _numbers(standing.verification),
        "causes": [
            {
                "cause": one.cause,
                "check": one.check,
                "remedy": one.remedy,
                "confirmed_in_cases": one.cases,
                "share": round(one.share, 4),
                "confirmed_here": one.is_confirmed,
                "share_without_explanation": round(one.before, 4),
                "probability_where_it_points": round(one.shown, 4),
            }
            for one in causes
        ],
    }


def _numbers(found: Verification) -> dict[str, Any]:
    posterior, exact = found.posterior, found.exact
    return {
        "verdict": found.verdict.value,
        "before": _side(found.before),
        "after": _side(found.after),
        "rate_ratio": posterior.median if posterior else None,
        "rate_ratio_low": posterior.low if posterior else None,
        "rate_ratio_high": posterior.high if posterior else None,
        "probability_fell": posterior.probability_below if posterior else None,
        "p_fell": exact.p_less if exact else None,
        "strokes_needed": found.strokes_needed,
        "evidence": found.evidence,
        "probability_halved": found.probability_halved,
        "strokes_to_halved": found.strokes_to_halved,
    }


def _side(side: Side) -> dict[str, Any]:
    return {
        "happenings": side.happenings,
        "strokes": side.strokes,
        "per_million": side.per_million,
    }
