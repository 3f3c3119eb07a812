"""The documented answers about gauge studies."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from tracelog.json_text import finite
from tracelog.trends.measured.gauge_rules import GaugeResult
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
        **(_NOTHING if result is None else _result(result)),
    }


# What stands in the answer where the readings make no sound study.
_NOTHING: dict[str, Any] = {
    "parts": [],
    "appraisers": [],
    "trials": None,
    "interaction_pooled": None,
    "interaction": None,
    "categories": None,
    "components": [],
    "table": [],
    "says": [],
}


def _result(result: GaugeResult) -> dict[str, Any]:
    return {
        "parts": list(result.parts),
        "appraisers": list(result.appraisers),
        "trials": result.trials,
        "interaction_pooled": result.pooled,
        "interaction": result.pooled_because,
        "categories": result.categories,
        "components": [asdict(one) for one in result.components],
        "table": [
            asdict(row) | {"f": None if row.f is None else finite(row.f)} for row in result.table
        ],
        "says": list(result.says),
    }
