"""The lives of tools from new or from work to work, through moves, with strokes by hand."""

import random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.plant.queries import directory
from tracelog.service.tool_cycles import ToolCycle, tool_cycles
from tracelog.service.tool_histories import ToolHistory, tool_histories

K = 1_000


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)
    plant.write_tools(session, {"A": 5 * plant.MILLION, "B": None})


def cycles(session: Session, serial: str = "A", as_of: float = HOURS) -> list[ToolCycle]:
    return [one for one in tool_cycles(session, hour(as_of)) if one.serial == serial]


def history(session: Session, serial: str = "A", as_of: float = HOURS) -> ToolHistory:
    return tool_histories(session, hour(as_of))[serial]


def told(one: ToolCycle) -> tuple[Any, ...]:
    """Number, entry, strokes, why it ended, and whether the strokes are all there."""
    return one.number, one.entry_strokes, one.strokes, one.end_reason, one.exact


def test_a_life_goes_on_through_moves_and_ends_with_the_work_that_follows(
    session: Session,
) -> None:
    plant.fit(session, "A", "1-1", "ring-3", 10, 110, "moved")
    plant.fit(session, "A", "1-2", "ring-3", 120, 130, "worn")
    plant.work(session, "A", 150, "regrind")
    plant.fit(session, "A", "2-1", "ring-2", 200, 260, "planned")
    first, second = cycles(session)
    machines = {one.text: one.id for one in directory(session).bodymakers}
    assert told(first) == (1, 0, 1440 * K, "worn", True)
    assert (first.started_at, first.ended_at) == (hour(10), hour(130))
    assert (first.machine_id, first.position) == (machines["1-2"], "ring-3")
    assert (first.ended, first.failed) == (True, True)
    assert told(second) == (2, 0, 720 * K, "planned", True)
    assert (second.started_at, second.ended_at) == (hour(150), hour(260))
    assert (second.machine_id, second.position) == (machines["2-1"], "ring-2")
    assert (second.ended, second.failed) == (True, False)


def test_a_tool_in_a_machine_has_not_come_to_an_end(session: Session) -> None:
    plant.fit(session, "A", "1-1", "ring-3", 10)
    (one,) = cycles(session, as_of=36)
    assert told(one) == (1, 0, 312 * K, None, True)
    assert (one.ended, one.ended_at) == (False, None)


def test_a_moved_tool_waits_and_a_refit_without_work_takes_an_end_back(session: Session) -> None:
    plant.fit(session, "A", "1-1", "ring-3", 10, 20, "moved")
    (waiting,) = cycles(session, as_of=30)
    assert told(waiting) == (1, 0, 120 * K, None, True)
    assert not waiting.ended
    plant.fit(session, "B", "1-1", "ring-1", 10, 20, "defect")
    plant.fit(session, "B", "1-1", "ring-1", 50, 60, "unknown")
    (ended,) = cycles(session, "B", as_of=30)
    assert told(ended) == (1, 0, 120 * K, "defect", True)
    (again,) = cycles(session, "B", as_of=54)
    assert told(again) == (1, 0, 168 * K, None, True)
    (over,) = cycles(session, "B", as_of=70)
    assert told(over) == (1, 0, 240 * K, "unknown", True)


def test_a_moved_tool_that_is_scrapped_waits_no_longer(session: Session) -> None:
    plant.fit(session, "A", "1-1", "ring-3", 10, 20, "moved")
    plant.work(session, "A", 40, "scrap")
    (one,) = cycles(session)
    assert (one.end_reason, one.ended_at, one.failed) == ("moved", hour(20), False)
    assert history(session).count.scrapped_at == hour(40)


def test_works_without_a_stay_between_them_are_one_renewal(session: Session) -> None:
    plant.fit(session, "A", "1-1", "ring-3", 10, 20, "worn")
    plant.work(session, "A", 30, "regrind")
    plant.work(session, "A", 30, "recoat")
    plant.work(session, "A", 31, "polish")
    plant.fit(session, "A", "1-1", "ring-3", 40, 50, "worn")
    assert [one.number for one in cycles(session)] == [1, 2]
    count = history(session).count
    assert (count.renewals, count.renewed_at) == (1, hour(31))
    plant.work(session, "A", 60, "regrind")
    after = history(session).count
    assert (after.renewals, after.since_work, after.total) == (2, 0, 240 * K)
    assert len(cycles(session)) == 2


@pytest.mark.parametrize("kind", ["clean", "re-designate", "scrap"])
def test_what_restores_nothing_lets_the_count_go_on(session: Session, kind: str) -> None:
    plant.fit(session, "A", "1-1", "ring-3", 10, 20, "planned")
    plant.work(session, "A", 30, kind)
    plant.fit(session, "A", "1-1", "ring-2", 40, 50, "planned")
    (one,) = cycles(session)
    assert told(one) == (1, 0, 240 * K, "planned", True)


@pytest.mark.parametrize("kind", ["regrind", "polish", "recoat", "rebuild"])
def test_work_on_a_tool_in_a_machine_begins_a_life_there(session: Session, kind: str) -> None:
    plant.fit(session, "A", "1-1", "punch", 10, 60, "broken")
    plant.work(session, "A", 40.5, kind)
    first, second = cycles(session)
    assert told(first) == (1, 0, 366 * K, None, True)
    assert (first.ended, first.failed, first.ended_at) == (True, False, hour(40.5))
    assert told(second) == (2, 0, 234 * K, "broken", True)


def test_work_at_the_instant_of_the_fit_lies_before_it(session: Session) -> None:
    plant.fit(session, "A", "1-1", "punch", 10, 20, "worn")
    plant.work(session, "A", 20, "polish")
    plant.fit(session, "A", "1-1", "punch", 20, 30, "worn")
    assert [told(one)[:3] for one in cycles(session)] == [(1, 0, 120 * K), (2, 0, 120 * K)]


# --- where the records begin


@pytest.mark.parametrize("start", [-100, 0])
def test_a_tool_that_was_in_before_the_first_reading_has_an_unknown_age(
    session: Session, start: float
) -> None:
    plant.fit(session, "A", "1-1", "ring-3", start, 10, "worn")
    (one,) = cycles(session)
    assert told(one) == (1, None, 120 * K, "worn", False)
    plant.work(session, "A", 20, "regrind")
    plant.fit(session, "A", "1-1", "ring-3", 20, 30, "worn")
    assert told(cycles(session)[1]) == (2, 0, 120 * K, "worn", True)
    count = history(session).count
    assert (count.since_work_exact, count.total_exact) == (True, False)


def test_its_card_tells_the_age_at_which_the_records_begin(session: Session) -> None:
    plant.work(
        session,
        *("A", 0, "on-record"),
        strokes_before=900 * K,
        strokes_before_since_work=400 * K,
    )
    plant.fit(session, "A", "1-1", "ring-3", -100, 10, "worn")
    (one,) = cycles(session)
    assert told(one) == (1, 400 * K, 520 * K, "worn", True)
    assert (one.own_strokes, one.started_at) == (120 * K, hour(-100))
    count = history(session).count
    assert (count.total, count.total_exact) == (1020 * K, True)


def test_a_card_that_knows_only_some_of_it(session: Session) -> None:
    plant.work(session, "A", 5, "on-record", strokes_before=900 * K)
    plant.work(session, "B", 5, "on-record", strokes_before_since_work=70 * K)
    for serial, position in (("A", "ring-1"), ("B", "ring-2")):
        plant.fit(session, serial, "1-1", position, 10, 20, "worn")
    (a,), (b,) = cycles(session, "A"), cycles(session, "B")
    assert told(a) == (1, None, 120 * K, "worn", False)
    assert told(b) == (1, 70 * K, 190 * K, "worn", True)
    a_count, b_count = history(session, "A").count, history(session, "B").count
    assert (a_count.total, a_count.total_exact) == (1020 * K, True)
    assert (b_count.total, b_count.total_exact) == (120 * K, False)


def test_a_card_without_strokes_says_that_the_tool_was_not_new(session: Session) -> None:
    plant.fit(session, "A", "1-1", "ring-3", 10, 20, "worn")
    plant.work(session, "A", 5, "on-record")
    assert told(cycles(session)[0]) == (1, None, 120 * K, "worn", False)
    assert not history(session).count.total_exact


def test_a_card_of_a_new_tool_says_so(session: Session) -> None:
    plant.work(session, "A", 0, "on-record", strokes_before=0)
    plant.fit(session, "A", "1-1", "ring-3", 0, 20, "worn")
    assert told(cycles(session)[0]) == (1, 0, 240 * K, "worn", True)


def test_a_work_on_record_before_any_fit_makes_no_new_tool_of_it(session: Session) -> None:
    plant.work(session, "A", 5, "regrind")
    plant.fit(session, "A", "1-1", "ring-3", 10, 20, "worn")
    assert told(cycles(session)[0]) == (2, 0, 120 * K, "worn", True)
    count = history(session).count
    assert (count.renewals, count.total, count.total_exact) == (1, 120 * K, False)


def test_strokes_that_nobody_counted_make_a_lower_bound(session: Session) -> None:
    plant.fit(session, "A", "1-3", "ring-3", 10, 20, "moved")
    assert told(cycles(session, as_of=25)[0]) == (1, None, 0, None, False)
    plant.fit(session, "B", "1-1", "ring-3", HOURS - 10, HOURS + 10, "worn")
    (late,) = cycles(session, "B", as_of=HOURS + 20)
    assert told(late) == (1, 0, 120 * K, "worn", False)
    (present,) = cycles(session, "B", as_of=HOURS + 5)
    assert told(present) == (1, 0, 120 * K, None, True)


def test_an_open_question_of_the_counter_makes_a_lower_bound(session: Session) -> None:
    plant.jump(session, 1, 1, HOURS + 4, 5)
    plant.fit(session, "A", "1-1", "ring-3", 100, HOURS + 2, "worn")
    plant.fit(session, "B", "1-1", "ring-2", 100, 200, "worn")
    assert not cycles(session, "A", HOURS + 7)[0].exact
    assert cycles(session, "B", HOURS + 7)[0].exact


def test_only_what_was_known_counts(session: Session) -> None:
    plant.fit(session, "A", "1-1", "ring-3", 10, 60, "worn")
    plant.work(session, "A", 70, "regrind")
    assert [told(one) for one in cycles(session, as_of=48)] == [(1, 0, 456 * K, None, True)]
    (worn,) = cycles(session, as_of=65)
    assert (worn.end_reason, worn.strokes) == ("worn", 600 * K)
    assert history(session, as_of=65).count.renewals == 0


def test_looking_back_uses_what_is_known_now(session: Session) -> None:
    plant.fit(session, "A", "1-1", "ring-3", 9, 60, "worn")
    plant.work(session, "A", 70, "regrind")
    then = tool_histories(session, hour(15), ["A"], known_at=hour(HOURS))["A"]
    present = then.present
    assert present is not None
    assert (present.strokes, then.count.total, then.count.renewals) == (72 * K, 72 * K, 0)


def test_the_number_of_statements_does_not_grow(session: Session, statements: Statements) -> None:
    def counted() -> int:
        with statements.counted() as made:
            tool_cycles(session, hour(HOURS))
        return len(made)

    plant.fit(session, "A", "1-1", "ring-3", 10, 20, "worn")
    plant.work(session, "A", 30, "regrind")
    before = counted()
    plant.write_tools(session, {f"T-{number}": None for number in range(9)})
    for number in range(9):
        plant.fit(session, f"T-{number}", "1-2", f"ring-{number}", 10, 20, "worn")
        plant.work(session, f"T-{number}", 30, "regrind")
        plant.fit(session, f"T-{number}", "1-1", f"ring-{number}", 40, 50, "worn")
    assert counted() == before


# --- whatever happened, in whatever order it was told


@st.composite
def told_histories(draw: st.DrawFn) -> list[tuple[Any, ...]]:
    """Fits of one tool, one after the other, and works at any time."""
    edges = draw(st.lists(st.integers(-20, 200), unique=True, max_size=12).map(sorted))
    reasons = st.sampled_from(["planned", "worn", "broken", "defect", "moved", "unknown"])
    happened: list[tuple[Any, ...]] = [
        ("fit", draw(st.sampled_from(["1-1", "1-2", "1-3"])), start, end, draw(reasons))
        for start, end in zip(edges[::2], edges[1::2], strict=False)
    ]
    kinds = st.sampled_from(["regrind", "polish", "recoat", "clean", "scrap", "re-designate"])
    works = draw(st.lists(st.tuples(st.integers(-20, 210), kinds), unique=True, max_size=6))
    return happened + [("work", *one) for one in works]


def tell(session: Session, happened: list[tuple[Any, ...]]) -> None:
    for what, *details in happened:
        if what == "fit":
            place, start, end, reason = details
            plant.fit(session, "A", place, "ring-3", start, end, reason)
        else:
            plant.work(session, "A", *details)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(told_histories(), st.randoms(use_true_random=False), st.integers(0, 220))
def test_cycles_share_out_all_strokes_and_do_not_depend_on_the_order_of_arrival(
    session: Session, happened: list[tuple[Any, ...]], chance: random.Random, as_of: int
) -> None:
    found = []
    for order in (happened, chance.sample(happened, len(happened))):
        with session.begin_nested() as kept_apart:
            tell(session, order)
            found.append((cycles(session, as_of=as_of), history(session, as_of=as_of)))
            kept_apart.rollback()
    assert found[0] == found[1]
    lives, whole = found[0]
    assert sum(one.own_strokes for one in lives) == sum(one.strokes for one in whole.stays)
    assert whole.count.total == sum(one.strokes for one in lives)
    assert [one.number for one in lives] == sorted({one.number for one in lives})
    assert all(one.ended for one in lives[:-1])
    assert whole.count.renewals >= len(lives) - 1
