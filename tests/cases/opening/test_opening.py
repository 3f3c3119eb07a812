"""What explained a case is kept at its opening, and stands beside what explains it now."""

from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.cases.small_case import BY, case_fact, opened, write_history
from tests.trends.small_log import WRITTEN_AT, day, entry
from tracelog.cases.actions import open_case
from tracelog.cases.models import Case, CaseExplanation
from tracelog.cases.opening import queries
from tracelog.cases.opening.comparing import beside
from tracelog.cases.opening.queries import explain_for_case, kept_explanation
from tracelog.defects.actions import log_entries

ZONE = ZoneInfo("Europe/Madrid")


def answer(nothing: float, **chances: float) -> dict[str, object]:
    told = [
        {"kind": "machine", "name": name, "position": None, "probability": chance}
        for name, chance in chances.items()
    ]
    return {"no_special_cause": nothing, "explanations": told}


def test_the_answer_of_then_stays_when_more_is_known(session: Session) -> None:
    write_history(session)
    case_id = opened(session)
    kept = kept_explanation(session, case_id)
    assert kept is not None
    assert (kept.asked_to, kept.made_at) == (day(5), day(5))
    assert kept.answer["cans"] == 10
    more = [entry(n, "1-1", "split", cans=40, occurrences=40) for n in (6, 7)]
    assert all(one.is_kept for one in log_entries(session, more, BY, WRITTEN_AT))
    assert kept_explanation(session, case_id) == kept
    assert explain_for_case(session, "split", day(0), day(9)).answer["cans"] == 91


def test_a_case_opens_though_it_cannot_be_explained(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_history(session)

    def fails(*_: object) -> None:
        session.execute(select(func.no_such_function()))

    monkeypatch.setattr(queries, "explain", fails)
    assert open_case(session, case_fact(), BY, day(5)).is_kept
    counts = [
        session.execute(select(func.count()).select_from(table)).scalar_one()
        for table in (Case, CaseExplanation)
    ]
    assert counts == [1, 0]


def test_what_became_of_each_explanation_is_told() -> None:
    rows = beside(
        answer(0.2, a=0.5, b=0.2, c=0.05, d=0.001), answer(0.25, a=0.1, b=0.25, e=0.4), ZONE
    )
    assert [(one.title, one.then, one.now, one.became) for one in rows] == [
        ("machine e", None, 0.4, "new"),
        ("machine b", 0.2, 0.25, "the same"),
        ("machine a", 0.5, 0.1, "less likely"),
        ("machine c", 0.05, None, "gone"),
        ("nothing special", 0.2, 0.25, "the same"),
    ]


def test_a_tool_called_bad_then_and_worn_now_is_one_row() -> None:
    def of_tool(*told: tuple[str, float]) -> dict[str, object]:
        rows = [
            {"kind": kind, "name": "R3-0417", "position": "ring-3", "probability": chance}
            for kind, chance in told
        ]
        return {"no_special_cause": 0.1, "explanations": rows}

    rows = beside(of_tool(("tool", 0.3), ("wear", 0.2)), of_tool(("wear", 0.8)), ZONE)
    assert [(one.title, one.then, one.now, one.became) for one in rows] == [
        ("slow wear of tool R3-0417, ring-3", 0.5, 0.8, "likelier"),
        ("nothing special", 0.1, 0.1, "the same"),
    ]
