"""Suspect cans of a window on every pallet, on a plant whose every figure is known."""

from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tracelog.errors import TracelogError
from tracelog.plant.queries import directory
from tracelog.trace.suspects import queries
from tracelog.trace.suspects.queries import SuspectQuestion, SuspectWindow, suspect_pallets

# 1-1 makes 12,000 strokes an hour and 1-2 makes 24,000: a pallet of 8,169 takes a quarter hour.
QUARTER = 0.25
PALLET = 8169


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)


def fill(session: Session, first: float, last: float, line: int = 1) -> None:
    at = first
    while at < last:
        plant.fill_pallet(session, name(at, line), line, at, at + QUARTER)
        at += QUARTER


def name(at: float, line: int = 1) -> str:
    return f"W{line}-{at:07.2f}"


def asked(
    session: Session,
    codes: str,
    start: float,
    end: float,
    as_of: float = 200,
    fraction: float | None = None,
) -> SuspectWindow:
    machines = directory(session)
    ids = [machines.machine_named(code).id for code in codes.split()]
    question = SuspectQuestion(
        ids[0], plant.hour(start), plant.hour(end), also=tuple(ids[1:]), fraction=fraction
    )
    return suspect_pallets(session, question, plant.hour(as_of))


def test_in_the_middle_a_pallet_holds_the_machine_s_share(session: Session) -> None:
    fill(session, 20, 50)
    found = asked(session, "1-1", 24, 40)
    by_name = {one.pallet.pallet: one for one in found.pallets}
    middle = by_name[name(32)]
    # 1-3 was never read: it counts as standing.
    assert middle.expected == pytest.approx(PALLET * 12 / (12 + 24), rel=0.001)
    assert middle.chance_of_none < 1e-9
    assert found.strokes == 16 * 12_000
    # Nothing arrives before the shortest way, 20 minutes; cans overtake by a few.
    assert name(23.75) not in by_name
    assert found.unread_minutes == 0
    assert not found.is_cut


def test_a_higher_risk_holds_fewer_pallets_and_the_plain_rule_more(session: Session) -> None:
    fill(session, 20, 60)
    found = asked(session, "1-1", 24, 30)
    held = [len(found.held_at(risk)) for risk in (0.001, 0.01, 0.1, 0.5)]
    assert held == sorted(held, reverse=True)
    assert held[0] > held[-1]
    assert found.naive.pallets == (60 - 24) * 4 + 1  # one ends at the very start
    assert found.naive.pallets > held[0]
    assert found.naive.cans == found.naive.pallets * PALLET
    assert found.tally_at(0.01).pallets == held[1]


def test_a_machine_that_was_never_read_counts_with_the_mean_of_the_others(session: Session) -> None:
    fill(session, 20, 50)
    found = asked(session, "1-3", 24, 40)
    assert found.strokes == pytest.approx(16 * 18_000, rel=0.001)
    assert found.unread_minutes == pytest.approx(16 * 60)
    assert len(found.held_at(0.01)) > 60


def test_after_the_last_reading_the_machine_s_own_mean_counts(session: Session) -> None:
    last = plant.HOURS
    fill(session, last - 4, last + 3)
    found = asked(session, "1-1", last - 2, last + 2, as_of=last + 3)
    assert found.strokes == pytest.approx(4 * 12_000, rel=0.01)
    assert found.unread_minutes == pytest.approx(120, abs=1)


def test_either_of_two_machines_can_only_widen(session: Session) -> None:
    fill(session, 20, 50)
    fill(session, 20, 50, line=2)
    one, both = asked(session, "1-1", 24, 30), asked(session, "1-1 1-2", 24, 30)
    chance = {pallet.pallet.pallet: pallet.chance_of_none for pallet in both.pallets}
    assert all(chance[two.pallet.pallet] <= two.chance_of_none + 1e-9 for two in one.pallets)
    lines = asked(session, "1-1 2-1", 24, 30)
    assert {pallet.pallet.pallet[:2] for pallet in lines.pallets} == {"W1", "W2"}
    assert lines.strokes == 6 * 24_000


def test_pallets_still_being_filled_and_cans_on_conveyors_are_said(session: Session) -> None:
    fill(session, 20, 30)
    plant.fill_pallet(session, "OPEN", 1, 30, None)
    found = asked(session, "1-1", 28, 30.1, as_of=30.1)
    by_name = {one.pallet.pallet: one for one in found.pallets}
    assert by_name["OPEN"].is_open
    assert by_name["OPEN"] in found.held_at(0.01)
    assert by_name["OPEN"].cans == PALLET
    assert 0 < found.on_conveyors < found.strokes
    later = asked(session, "1-1", 28, 30.1, as_of=40)
    assert later.on_conveyors == pytest.approx(0, abs=5)


def test_what_was_not_known_then_is_left_out(session: Session) -> None:
    fill(session, 20, 50)
    then = asked(session, "1-1", 24, 30, as_of=31)
    assert max(one.pallet.started_at for one in then.pallets) <= plant.hour(31)
    assert then.pallets[-1].pallet.ended_at is None
    assert then.pallets[-1].pallet.cans is None


def test_a_window_that_is_still_open_ends_now_and_not_later(session: Session) -> None:
    fill(session, 20, 50)
    found = asked(session, "1-1", 24, 300, as_of=40)
    assert found.question.made_to == plant.hour(40)
    assert found.question.slack_to == timedelta(0)


def test_defective_cans_are_another_number(session: Session) -> None:
    fill(session, 20, 50)
    found = asked(session, "1-1", 24, 40, fraction=0.0001)
    middle = next(one for one in found.pallets if one.pallet.pallet == name(32))
    assert middle.chance_of_none < 1e-9
    assert 0.7 < middle.chance_of_no_defective < 0.8


def test_a_list_that_was_cut_says_so(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(session, 20, 30)
    monkeypatch.setattr(queries, "MOST_PALLETS", 10)
    found = asked(session, "1-1", 24, 29)
    assert found.is_cut
    assert len(found.pallets) <= 10


def test_a_line_without_pallets_has_none(session: Session) -> None:
    found = asked(session, "2-1", 24, 29)
    assert found.pallets == ()
    assert found.naive.pallets == 0


@pytest.mark.parametrize(("start", "end"), [(30, 30), (30, 20), (-1500, 30)])
def test_a_window_that_cannot_be_is_told(session: Session, start: float, end: float) -> None:
    with pytest.raises(TracelogError) as told:
        asked(session, "1-1", start, end)
    assert told.value.field == "made_from"


def test_a_fixed_number_of_statements(session: Session, statements: Statements) -> None:
    fill(session, 20, 30)
    asked(session, "1-1", 24, 26)
    with statements.counted() as few:
        asked(session, "1-1", 24, 26)
    fill(session, 30, 60)
    with statements.counted() as many:
        asked(session, "1-1 1-2", 24, 50)
    assert len(few) == len(many) <= 30
