"""The documented answers about gauge studies."""

from collections.abc import Sequence
from typing import Any

from tracelog.json_text import finite
from tracelog.trends.measured.gauge_studies import StudyAnswer
from tracelog.trends.measured.queries import StudyView


def studies_answer(studies: Sequence[StudyView]) -> dict[str, Any]:
    """All studies as JSON-ready values."""
    return {
        "studies": [
            {
                "study": one.study,
                "characteristic": one.characteristic,
                "unit": one.unit,
                "readings": one.readings,
                "parts": one.parts,
                "appraisers": one.appraisers,
                "first_at": one.first_at,
                "last_at": one.last_at,
            }
            for one in studies
        ]
    }


def study_json(answer: StudyAnswer) -> dict[str, Any]:
    """One study as JSON-ready values; without a sound result `why_not` says why."""
    result = answer.result
    return {
        "study": answer.question.study,
        "characteristic": answer.characteristic,
        "unit": answer.unit,
        "as_of": answer.question.as_of,
        "readings": len(answer.readings),
        "specification": {
            "lower": answer.limits.lower,
            "upper": answer.limits.upper,
            "starting_defaults": answer.limits.are_defaults,
        },
        "why_not": answer.why_not or None,
        "parts": [] if result is None else list(result.parts),
        "appraisers": [] if result is None else list(result.appraisers),
        "trials": None if result is None else result.trials,
        "interaction_pooled": None if result is None else result.pooled,
        "interaction": None if result is None else result.pooled_because,
        "categories": None if result is None else result.categories,
        "components": []
        if result is None
        else [
            {
                "name": one.name,
                "variance": one.variance,
                "variance_share": one.variance_share,
                "sigma": one.sigma,
                "study_variation": one.study_variation,
                "percent_of_study": one.percent_of_study,
                "percent_of_tolerance": one.percent_of_tolerance,
            }
            for one in result.components
        ],
        "table": []
        if result is None
        else [
            {
                "source": row.source,
                "freedom": row.freedom,
                "sum_of_squares": row.sum_of_squares,
                "mean_square": row.mean_square,
                "f": None if row.f is None else finite(row.f),
                "p": row.p,
            }
            for row in result.table
        ],
        "says": [] if result is None else list(result.says),
    }
