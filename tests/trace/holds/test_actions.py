"""Holding, finding, inspecting, deciding: what is kept, what is refused, what is on record."""

import json
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace.holds.small_stock import (
    MINUTE,
    NOW,
    QUENTIN,
    QUIRINE,
    SARA,
    held,
    hold_fact,
    seen,
    step_fact,
    told,
    write,
    write_stock,
)
from tests.trace.two_lines import ZONE, hour
from tracelog.audit import Actor, AuditRecord, broken_links
from tracelog.db import SNAPSHOT, new_id
from tracelog.errors import BadFact, Conflict, NotAllowed, NotFound, TracelogError, UnknownReference
from tracelog.outcomes import CREATED, UNCHANGED
from tracelog.trace.holds.actions import raise_hold, write_steps
from tracelog.trace.holds.facts import FOR_QUALITY, HoldStepFact, StepKind
from tracelog.trace.holds.queries import HoldFilter, held_pallets, holds
from tracelog.trace.models import Hold, HoldStep


@pytest.fixture(autouse=True)
def _stock(session: Session) -> None:
    write_stock(session)


def rows(session: Session) -> list[int]:
    return [
        session.execute(select(func.count()).select_from(table)).scalar_one()
        for table in (Hold, HoldStep, AuditRecord)
    ]


def last_record(session: Session) -> AuditRecord:
    assert broken_links(session) == []
    newest = select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
    return session.execute(newest).scalar_one()


def test_stock_is_put_on_hold_and_on_record(session: Session) -> None:
    hold = held(session, defect="split", line=1)
    view = seen(session, hold)
    assert (view.number, view.raised_by, view.defect, view.line) == (1, "sara", "split", 1)
    assert [one.pallet for one in view.pallets] == ["P-1", "P-2", "X-9"]
    assert [one.stay is not None for one in view.pallets] == [True, True, False]
    assert (len(view.held), view.cans, view.not_sought) == (3, 2 * 8169, 3)
    record = last_record(session)
    assert (record.action, record.subject_kind, record.subject) == ("put on hold", "hold", "1")
    assert json.loads(record.after or "")["pallets"] == ["P-1", "P-2", "X-9"]
    assert seen(session, held(session, pallets=["P-4"])).number == 2


def test_a_window_says_which_pallets_are_held_and_what_is_expected_of_each(
    session: Session,
) -> None:
    window = {"machine": "1-1", "made_from": hour(9), "made_to": hour(10)}
    view = seen(session, held(session, pallets=[], **window))
    assert view.accepted_risk == 0.01
    assert "P-1" in {one.pallet for one in view.pallets}
    assert "L-1" not in {one.pallet for one in view.pallets}
    assert view.expected_suspect is not None
    assert view.expected_suspect > 1000
    for one in view.pallets:
        assert one.standing.held.chance_of_none is not None
        assert one.standing.held.chance_of_none < 0.99
    named = seen(session, held(session, pallets=["P-1", "L-1"], **window))
    expected = {one.pallet: one.standing.held.expected_suspect for one in named.pallets}
    assert expected["P-1"] is not None
    assert expected["L-1"] is None


@pytest.mark.parametrize(
    ("said", "kind", "field", "words"),
    [
        ({"defect": "spilt"}, UnknownReference, "defect", "is not a defect"),
        ({"machine": "1-77"}, UnknownReference, "machine", "no bodymaker 77"),
        ({"line": 9}, UnknownReference, "line", "no line 9"),
        ({"machine": "1-1", "line": 2}, UnknownReference, "machine", "is not on this line"),
        ({"pallets": []}, TracelogError, "pallets", "name the pallets"),
        ({"raised_at": NOW + MINUTE}, TracelogError, "raised_at", "lies ahead"),
        (
            {"pallets": [], "machine": "2-2", "made_from": hour(1), "made_to": hour(2)},
            TracelogError,
            "pallets",
            "reaches no pallet on record",
        ),
    ],
)
def test_a_hold_that_cannot_be_is_refused_and_nothing_is_written(
    session: Session, said: dict[str, Any], kind: type[TracelogError], field: str, words: str
) -> None:
    before = rows(session)
    with pytest.raises(kind) as problem:
        raise_hold(session, hold_fact(**said), SARA, NOW)
    assert problem.value.field == field
    assert words in problem.value.sentence
    assert rows(session) == before


def test_the_same_hold_sent_again_changes_nothing_and_another_is_refused(session: Session) -> None:
    fact = hold_fact()
    assert raise_hold(session, fact, SARA, NOW) == CREATED
    before = rows(session)
    assert raise_hold(session, fact, SARA, NOW + MINUTE) == UNCHANGED
    for other in ({"reason": "else"}, {"pallets": ["P-1"]}):
        with pytest.raises(Conflict) as problem:
            raise_hold(session, hold_fact(id=str(fact.id), **other), SARA, NOW)
        assert problem.value.field == "id"
    assert rows(session) == before


def test_from_held_to_found_inspected_released_and_closed(session: Session) -> None:
    hold = held(session)
    steps = [
        step_fact(hold, "found", "P-1"),
        step_fact(hold, "missing", "P-2"),
        step_fact(hold, "found", "X-9", place="yard"),
        step_fact(hold, "looked-over", "P-1", reason="light tester", at=NOW),
        step_fact(hold, "inspected", "P-1", defective=2),
    ]
    assert write_steps(session, steps, SARA, NOW + 3 * MINUTE) == [CREATED] * 5
    view = seen(session, hold)
    assert (view.found, len(view.missing), view.not_sought) == (2, 1, 0)
    first = view.pallets[0].standing
    assert [one.step for one in first.inspections] == [StepKind.LOOKED_OVER, StepKind.INSPECTED]
    assert first.was_inspected
    assert "not decided yet: P-1, P-2, X-9" in told(write(session, step_fact(hold, "closed")))
    assert write(session, step_fact(hold, "released", "P-1")) == CREATED
    assert last_record(session).action == "hold: released"
    assert "was released by quentin" in told(write(session, step_fact(hold, "scrapped", "P-1")))
    assert "is missing; write first" in told(write(session, step_fact(hold, "released", "P-2")))
    assert "is missing" in told(write(session, step_fact(hold, "inspected", "P-2")))
    found = step_fact(hold, "found", "P-2", place="truck")
    assert write(session, found, SARA) == CREATED
    assert write(session, step_fact(hold, "conceded", "P-2", reason="C-17")) == CREATED
    assert write(session, step_fact(hold, "scrapped", "X-9")) == CREATED
    assert held_pallets(session, NOW + 9 * MINUTE) == {}
    assert write(session, step_fact(hold, "closed")) == CREATED
    view = seen(session, hold)
    assert not view.is_open
    assert [view.decided(one) for one in (StepKind.RELEASED, StepKind.CONCEDED)] == [1, 1]
    assert told(write(session, step_fact(hold, "note", reason="late"))).startswith(
        "hold 1 is closed"
    )


def test_nobody_releases_what_they_put_on_hold_but_they_may_scrap_it(session: Session) -> None:
    hold = held(session, by=QUENTIN)
    by_program = Actor("Quentin/gateway", "quality", "api")
    for by in (QUENTIN, by_program):
        for step in ("released", "conceded"):
            outcome = write(session, step_fact(hold, step, "P-1"), by)
            assert "put on hold by you" in told(outcome)
            assert not outcome.is_conflict
    added = step_fact(hold, "held", "P-4", reason="same coil")
    assert write(session, added, QUIRINE) == CREATED
    for by in (QUENTIN, QUIRINE):
        outcome = write(session, step_fact(hold, "released", "P-4"), by)
        assert "put on hold by you" in told(outcome)
    assert write(session, step_fact(hold, "released", "P-1"), QUIRINE) == CREATED
    assert write(session, step_fact(hold, "scrapped", "P-2"), QUENTIN) == CREATED


@pytest.mark.parametrize("role", ["supervisor", "administrator", "planner", "operator"])
def test_only_quality_decides_narrows_and_closes(session: Session, role: str) -> None:
    hold = held(session, machine="1-1", made_from=hour(9), made_to=hour(12))
    before = rows(session)
    someone = Actor("someone", role, "page")
    for step in sorted(FOR_QUALITY):
        of_pallet = step in ("released", "conceded", "scrapped")
        more = {"made_from": hour(10)} if step == "narrowed" else {}
        fact = step_fact(hold, step, "P-1" if of_pallet else None, **more)
        with pytest.raises(NotAllowed, match="belongs to quality"):
            write(session, fact, someone)
        # Nor hidden among steps that they may write.
        with pytest.raises(NotAllowed):
            write_steps(session, [step_fact(hold, "found", "P-1"), fact], someone, NOW + MINUTE)
    assert rows(session) == before


def test_the_second_of_two_who_decide_is_told_of_the_first(session: Session) -> None:
    hold = held(session)
    assert write(session, step_fact(hold, "scrapped", "P-1"), QUIRINE) == CREATED
    outcome = write(session, step_fact(hold, "released", "P-1"), QUENTIN)
    assert outcome.is_conflict
    assert told(outcome) == (
        "'P-1' was scrapped by quirine at 2026-02-04 06:03; look at the hold anew"
    )
    twice = [step_fact(hold, one, "P-2") for one in ("released", "scrapped")]
    kept, second = write_steps(session, twice, QUENTIN, NOW + 4 * MINUTE)
    assert kept == CREATED
    assert "twice at once" in told(second)
    sought = [step_fact(hold, one, "X-9") for one in ("found", "missing")]
    assert "twice at once" in told(write_steps(session, sought, SARA, NOW + 4 * MINUTE)[1])


def test_a_pallet_in_two_holds_is_free_when_both_have_decided(session: Session) -> None:
    first, second = held(session), held(session, pallets=["P-1", "P-5"])
    now = NOW + 9 * MINUTE
    assert held_pallets(session, now)["P-1"] == (1, 2)
    assert seen(session, first).pallets[0].also_in == (2,)
    write(session, step_fact(first, "released", "P-1"))
    assert held_pallets(session, now)["P-1"] == (2,)
    write(session, step_fact(second, "conceded", "P-1"))
    assert set(held_pallets(session, now)) == {"P-2", "P-5", "X-9"}
    assert held_pallets(session, NOW + MINUTE)["P-1"] == (1, 2)


def test_a_released_pallet_can_be_held_again_and_a_scrapped_one_cannot(session: Session) -> None:
    hold = held(session)
    write(session, step_fact(hold, "released", "P-1"))
    write(session, step_fact(hold, "scrapped", "P-2"))
    again = step_fact(hold, "held", "P-1", reason="found more")
    assert write(session, again, SARA, NOW + 5 * MINUTE) == CREATED
    assert seen(session, hold).pallets[0].standing.is_held
    assert "nothing left to hold" in told(write(session, step_fact(hold, "held", "P-2"), SARA))
    assert "is in hold 1 already" in told(
        write(session, step_fact(hold, "held", "P-1", at=NOW), SARA)
    )


def test_pallets_are_added_and_where_cans_were_moved_from_is_kept(session: Session) -> None:
    hold = held(session)
    moved = step_fact(hold, "held", "P-7", reason="split in two", from_pallet="P-1")
    assert write(session, moved, SARA) == CREATED
    assert write(session, moved, SARA) == UNCHANGED
    assert seen(session, hold).pallets[-1].standing.held.reason == "from pallet P-1: split in two"
    wrong = step_fact(hold, "held", "P-8", reason="merged", from_pallet="P-5")
    assert "'P-5' is not in hold 1" in told(write(session, wrong, SARA))
    assert "put it on hold first" in told(write(session, step_fact(hold, "found", "P-5"), SARA))


def test_a_window_is_widened_by_who_holds_and_narrowed_with_a_reason_by_quality(
    session: Session,
) -> None:
    hold = held(session, machine="1-1", made_from=hour(9), made_to=hour(12))
    wider = step_fact(hold, "widened", made_from=hour(8), reason="earlier check was bad too")
    assert write(session, wider, SARA) == CREATED
    assert seen(session, hold).standing.made_from == hour(8)
    inner = {"made_from": hour(9), "made_to": hour(11)}
    assert "is a step 'narrowed'" in told(write(session, step_fact(hold, "widened", **inner), SARA))
    assert write(session, step_fact(hold, "narrowed", **inner)) == CREATED
    view = seen(session, hold)
    assert (view.standing.made_from, view.standing.made_to) == (hour(9), hour(11))
    assert len(view.held) == 3
    outer = step_fact(hold, "narrowed", made_to=hour(14))
    assert "is a step 'widened'" in told(write(session, outer))
    bare = held(session, pallets=["P-4"])
    half = step_fact(bare, "widened", made_from=hour(8))
    assert "give both ends" in told(write(session, half, SARA))


@pytest.mark.parametrize(
    ("step", "pallet", "more", "field", "words"),
    [
        ("released", None, {}, "pallet", "is missing"),
        ("released", "P-1", {"reason": None}, "reason", "is missing"),
        ("found", "P-1", {"place": ""}, "place", "is missing"),
        ("inspected", "P-1", {"inspected": None}, "inspected", "is missing"),
        ("inspected", "P-1", {"defective": 126}, "defective", "more than the 125"),
        ("note", "P-1", {}, "pallet", "does not belong"),
        ("released", "P-1", {"inspected": 5}, "inspected", "does not belong"),
        ("narrowed", None, {"made_from": hour(9), "reason": None}, "reason", "is missing"),
        ("widened", None, {}, "made_from", "give the new start"),
        ("forgotten", "P-1", {}, "step", "is not one of"),
    ],
)
def test_a_step_that_says_too_little_or_too_much_is_refused(
    session: Session, step: str, pallet: str | None, more: dict[str, Any], field: str, words: str
) -> None:
    with pytest.raises(BadFact) as problem:
        step_fact(new_id(), step, pallet, **more)
    (fault,) = problem.value.faults
    assert (fault.field, words in fault.sentence) == (field, True), fault


def test_steps_lie_neither_ahead_nor_before_the_hold_and_need_one(session: Session) -> None:
    hold = held(session)
    ahead = step_fact(hold, "note", at=NOW + timedelta(hours=1))
    assert "lies ahead" in told(write(session, ahead))
    early = step_fact(hold, "released", "P-1", at=NOW - MINUTE)
    assert "is before the pallet was put on hold" in told(write(session, early))
    with pytest.raises(NotFound, match="there is no hold"):
        write(session, step_fact(new_id(), "note"))


def test_a_step_sent_again_changes_nothing_and_another_with_its_id_is_refused(
    session: Session,
) -> None:
    hold, key = held(session), str(new_id())
    fact = step_fact(hold, "released", "P-1", id=key)
    assert write(session, fact) == CREATED
    before = rows(session)
    assert write(session, fact, now=NOW + 8 * MINUTE) == UNCHANGED
    outcome = write(session, step_fact(hold, "scrapped", "P-1", id=key))
    assert outcome.is_conflict
    assert "says something else" in told(outcome)
    assert rows(session) == before


def test_steps_of_one_instant_count_in_the_order_in_which_they_were_written(
    session: Session,
) -> None:
    hold = held(session)
    for n, (step, by) in enumerate((("released", QUENTIN), ("held", SARA)) * 4):
        fact = step_fact(hold, step, "P-1", reason=f"turn {n}")
        assert write(session, fact, by, NOW + 3 * MINUTE) == CREATED
    assert seen(session, hold).pallets[0].standing.is_held
    assert held_pallets(session, NOW + 3 * MINUTE)["P-1"] == (1,)


def test_the_list_is_filtered_and_shows_what_was_known(session: Session) -> None:
    first, second = held(session), held(session, pallets=["P-5"], now=NOW + 5 * MINUTE)
    write(session, step_fact(first, "scrapped", "P-1"))
    write(session, step_fact(second, "scrapped", "P-5", at=NOW + 6 * MINUTE), now=NOW + 7 * MINUTE)
    write(session, step_fact(second, "closed", at=NOW + 7 * MINUTE), now=NOW + 8 * MINUTE)
    now = NOW + 9 * MINUTE

    def listed(at: Any = now, **wanted: Any) -> list[int]:
        return [one.number for one in holds(session, HoldFilter(**wanted), at)]

    assert listed() == [2, 1]
    assert listed(is_open=True) == [1]
    assert listed(is_open=False) == [2]
    assert listed(pallet="P-1") == [1]
    assert listed(before=2) == [1]
    assert listed(NOW + 2 * MINUTE) == [1]
    assert listed(NOW + 7 * MINUTE, is_open=True) == [2, 1]
    (then,) = holds(session, HoldFilter(), NOW + MINUTE)
    assert len(then.held) == 3


def test_the_number_of_statements_does_not_grow(session: Session, statements: Statements) -> None:
    counted = []
    for more in (1, 6):
        for n in range(more):
            hold = held(session, pallets=[f"P-{n}", "P-1"])
            write(session, step_fact(hold, "found", "P-1"))
        with (
            Session(bind=session.connection(), info=SNAPSHOT) as snapshot,
            statements.counted() as texts,
        ):
            holds(snapshot, HoldFilter(), NOW + 60 * MINUTE)
        counted.append(len(texts))
    assert counted[0] == counted[1]
    assert counted[0] <= 12


def test_pallet_numbers_are_read_from_lines_commas_and_arrays() -> None:
    fact = hold_fact(pallets=" P-1,P-2 ;P-1\n\nÉ 3\t")
    assert fact.pallets == ("P-1", "P-2", "É 3")
    with pytest.raises(BadFact, match="no list of pallet numbers"):
        hold_fact(pallets=7)
    with pytest.raises(BadFact, match="at most 5000"):
        hold_fact(pallets=[str(n) for n in range(5001)])
    with pytest.raises(BadFact, match="control character"):
        hold_fact(pallets="P\x00")
    with pytest.raises(BadFact, match="at most 80"):
        HoldStepFact.read({"step": "held", "pallet": "x" * 81}, ZONE)
