"""What a case cost, on the hand-made log: cans, strokes, minutes, pallets on hold."""

import pytest
from sqlalchemy.orm import Session

from tests.cases.small_case import BY, ZONE, opened, step_fact, write_history
from tests.trends.small_log import WRITTEN_AT, day, entry
from tracelog.cases.cost.queries import cost_of
from tracelog.cases.cost.rules import Usual, expected_cans, strokes_not_made
from tracelog.cases.links.actions import link
from tracelog.cases.links.facts import LinkFact
from tracelog.cases.links.queries import links_of
from tracelog.cases.queries import case
from tracelog.cases.step_actions import add_step
from tracelog.db import new_id
from tracelog.defects.actions import log_entries
from tracelog.plant.facts import PalletFact
from tracelog.plant.stock_actions import record_pallets
from tracelog.trace.holds.actions import raise_hold
from tracelog.trace.holds.facts import HoldFact


def test_the_usual_rate_is_scaled_to_the_strokes() -> None:
    assert expected_cans(Usual(4, 2_000_000), 5_000_000) == pytest.approx(10)
    assert expected_cans(Usual(0, 0), 5_000_000) is None


def test_minutes_down_become_strokes_at_the_rated_speed() -> None:
    assert strokes_not_made(40, [300.0, None, 400.0]) == 14_000
    assert strokes_not_made(None, [300.0]) is None
    assert strokes_not_made(40, [None]) is None


def test_cans_of_its_defect_on_its_machine_are_counted_since_it_is_seen(session: Session) -> None:
    write_history(session)
    case_id = opened(session, since_at=day(2).isoformat())
    about = case(session, case_id, day(10)).case
    # Two splits a day for three more days, in 8 million strokes; before, 4 cans in 2 million.
    found = cost_of(session, about, [], day(10))
    assert (found.cans, found.entries, found.strokes) == (6, 3, 8_000_000)
    assert found.expected == pytest.approx(16)
    assert found.above_usual == pytest.approx(-10)
    assert found.scrapped_strokes == 6
    assert (found.minutes_down, found.pallets) == (None, 0)


def test_what_is_found_after_its_end_is_not_its_cost(session: Session) -> None:
    write_history(session)
    case_id = opened(session)
    changed = step_fact(case_id, "changed", day(4), change="repair", minutes_down="25")
    checked = step_fact(case_id, "checked", day(4), minutes_down="15")
    for step in (changed, checked):
        add_step(session, step, BY, day(5))
    add_step(session, step_fact(case_id, "dropped", day(6)), BY, day(6))
    late = entry(8, "1-1", "split", cans=50, occurrences=1)
    assert log_entries(session, [late], BY, WRITTEN_AT)[0].is_kept
    about = case(session, case_id, day(10)).case
    found = cost_of(session, about, [], day(10))
    assert (found.cans, found.strokes, found.minutes_down) == (10, 6_000_000, 40)


def test_pallets_on_hold_count_once_and_released_ones_not(session: Session) -> None:
    write_history(session)
    case_id = opened(session)
    pallets = [
        PalletFact.read(
            {"pallet": name, "line": 1, "started_at": day(1).isoformat(), "cans": 8000}, ZONE
        )
        for name in ("P-1", "P-2", "P-3")
    ]
    assert all(one.is_kept for one in record_pallets(session, pallets, BY, WRITTEN_AT))
    hold_id = new_id()
    hold = HoldFact.read({"id": str(hold_id), "reason": "r", "pallets": ["P-1", "P-2"]}, ZONE)
    assert raise_hold(session, hold, BY, day(5)).is_kept
    for said in ({"hold": 1}, {"pallet": "P-1"}, {"pallet": "P-3"}):
        link(session, LinkFact.read({"case": str(case_id), **said}, ZONE), BY, day(5))
    about = case(session, case_id, day(6)).case
    found = cost_of(session, about, links_of(session, case_id), day(6))
    # P-1 stands in the hold and is linked by itself; P-3 is linked and on no hold.
    assert (found.pallets, found.pallet_cans) == (2, 16_000)
