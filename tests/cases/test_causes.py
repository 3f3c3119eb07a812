"""Likely causes: the vocabulary's order at first, and more and more what was confirmed here."""

import uuid

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select
from sqlalchemy.orm import Session

from tests.cases.small_case import BY, opened, step_fact, write_history
from tests.trends.small_log import day
from tracelog.audit import AuditRecord
from tracelog.cases import queries
from tracelog.cases.causes import (
    LikelyCause,
    points_of,
    weigh_by_explanation,
    weigh_causes,
)
from tracelog.cases.queries import case, likely_causes
from tracelog.cases.step_actions import add_step
from tracelog.reference import defect_type
from tracelog.reference_rows import Cause

FIRST, SECOND = (Cause(word, "look", "change it", "from memory") for word in ("ring", "coil"))


def told(found: list[LikelyCause]) -> list[tuple[str, int, float]]:
    return [(one.cause, one.cases, pytest.approx(one.share)) for one in found]


def test_without_history_the_order_is_that_of_the_vocabulary() -> None:
    assert told(weigh_causes([FIRST, SECOND], [])) == [("ring", 0, 2 / 3), ("coil", 0, 1 / 3)]


def test_what_was_confirmed_here_moves_up() -> None:
    found = weigh_causes([FIRST, SECOND], [["coil"], ["Coil", "coil"]])
    assert told(found) == [("coil", 2, 0.6), ("ring", 0, 0.4)]


def test_a_cause_that_only_people_here_named_is_told_without_a_check() -> None:
    found = weigh_causes([FIRST], [["a worn cam"]], here=["a bent finger"])
    assert told(found) == [("ring", 0, 0.75), ("a worn cam", 1, 0.25), ("a bent finger", 0, 0)]
    assert [one.is_confirmed for one in found] == [False, False, True]
    assert found[1].check == found[1].remedy == ""


def test_without_anything_known_nothing_is_said() -> None:
    assert weigh_causes([], []) == []
    assert told(weigh_causes([], [["ring"]])) == [("ring", 1, 1)]


@given(st.lists(st.sets(st.sampled_from(["ring", "coil", "punch"]), max_size=3), max_size=20))
def test_shares_sum_to_one_and_never_fall_down_the_list(earlier: list[set[str]]) -> None:
    shares = [one.share for one in weigh_causes([FIRST, SECOND], earlier)]
    assert sum(shares) == pytest.approx(1)
    assert shares == sorted(shares, reverse=True)


def confirmed(session: Session, case_id: uuid.UUID, cause: str) -> None:
    add_step(session, step_fact(case_id, "confirmed", day(7), text=cause), BY, day(7))


def test_earlier_cases_count_and_the_case_itself_does_not(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(queries, "defect_type", lambda _: defect_type("score-outside"))
    write_history(session)
    known = defect_type("score-outside")
    assert known is not None
    first, last = known.causes[1].cause, known.causes[-1].cause
    earlier, about = opened(session, day(5)), opened(session, day(6), place="1")
    confirmed(session, earlier, last)
    confirmed(session, about, first)
    found = likely_causes(session, case(session, about, day(8)).case)
    assert {one.cause: one.cases for one in found if one.cases} == {last: 1}
    assert [one.cause for one in found if one.is_confirmed] == [first]
    of_earlier = likely_causes(session, case(session, earlier, day(8)).case)
    assert not any(one.cases for one in of_earlier)


def test_a_confirmed_cause_is_put_on_record(session: Session) -> None:
    write_history(session)
    case_id = opened(session)
    confirmed(session, case_id, "a worn cam")
    newest = select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
    assert session.execute(newest).scalar_one().action == "case step: confirmed"
    # A defect of the plant's own has no causes in the vocabulary.
    (only,) = likely_causes(session, case(session, case_id, day(8)).case)
    assert (only.cause, only.cases, only.is_confirmed) == ("a worn cam", 0, True)


def explained(**chances: float) -> dict[str, object]:
    """An answer of tools in positions, by position."""
    told = [
        {"kind": "tool", "name": f"T-{place}", "position": place, "probability": chance}
        for place, chance in chances.items()
    ]
    return {"explanations": told}


HALVES = [LikelyCause("A", "", "", 0, 0.5), LikelyCause("B", "", "", 0, 0.5)]


def test_a_cause_that_points_where_the_defect_shows_moves_up_by_the_formula() -> None:
    points = {"a": ["coil"], "b": ["tool:punch", "machine"]}
    found = weigh_by_explanation(HALVES, points, explained(punch=0.9))
    # 0.5 × (0.1 + 0.9) against 0.5 × 0.1.
    assert [(one.cause, one.shown) for one in found] == [("B", 0.9), ("A", 0.0)]
    assert [one.share for one in found] == [pytest.approx(1 / 1.1), pytest.approx(0.1 / 1.1)]
    assert [one.before for one in found] == [0.5, 0.5]


@pytest.mark.parametrize("answer", [None, {"explanations": []}])
def test_without_an_explanation_shares_stay_as_they_were(answer: dict[str, object] | None) -> None:
    found = weigh_by_explanation(HALVES, {"a": ["coil"]}, answer)
    assert [(one.cause, one.share) for one in found] == [("A", 0.5), ("B", 0.5)]


@given(st.lists(st.floats(0, 1), min_size=2, max_size=2), st.floats(0, 1))
def test_shares_add_up_and_none_is_lost(chances: list[float], first: float) -> None:
    whole = sum(chances) or 1.0
    answer = explained(**{"ring-1": chances[0] / whole, "punch": chances[1] / whole})
    causes = [LikelyCause("A", "", "", 0, first), LikelyCause("B", "", "", 0, 1 - first)]
    found = weigh_by_explanation(causes, {"a": ["tool:ring-1"], "b": ["tool:punch"]}, answer)
    assert sum(one.share for one in found) == pytest.approx(1)


@pytest.mark.parametrize(
    ("one", "points"),
    [
        ({"kind": "wear", "name": "R3-1", "position": "ring-3"}, "tool:ring-3"),
        ({"kind": "batch", "name": "R3-1 to R3-4", "position": "ring-3"}, "tool:ring-3"),
        ({"kind": "change", "name": "coolant @ 3 @ 2026-03-01T06:00:00Z"}, "change:coolant"),
        ({"kind": "service", "name": "overhaul @ 1-1 @ 2026-03-01T06:00:00Z"}, "service"),
        ({"kind": "coil", "name": "WB061437", "position": None}, "coil"),
    ],
)
def test_explanations_point_in_the_words_of_the_vocabulary(
    one: dict[str, object], points: str
) -> None:
    assert points_of(one) == (points,)
