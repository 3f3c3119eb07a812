"""Suspect cans of a window on every pallet, on a plant whose every figure is known."""


import pytest
from sqlalchemy.orm import Session

from tests.trace import two_lines as plant
from tracelog.plant.queries import directory
from tracelog.trace.suspects.queries import SuspectQuestion, SuspectWindow, suspect_pallets

AS_OF = plant.hour(200)
# 1-1 makes 12,000 strokes an hour and 1-2 makes 24,000: a pallet of 8,169 takes a quarter hour.
QUARTER = 0.25


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)


def fill(session: Session, first: float, last: float, line: int = 1) -> None:
    at = first
    while at < last:
        plant.fill_pallet(session, f"W{line}-{at:07.2f}", line, at, at + QUARTER)
        at += QUARTER


def asked(session: Session, code: str, start: float, end: float, **more: object) -> SuspectWindow:
    machine = directory(session).machine_named(code)
    question = SuspectQuestion(machine.id, plant.hour(start), plant.hour(end), **more)  # type: ignore[arg-type]
    return suspect_pallets(session, question, AS_OF)


def test_in_the_middle_a_pallet_holds_the_machine_s_share(session: Session) -> None:
    fill(session, 20, 50)
    found = asked(session, "1-1", 24, 40)
    by_name = {one.pallet.pallet: one for one in found.pallets}
    middle = by_name["W1-0032.00"]
    # 1-3 was never read: it counts as standing.
    assert middle.expected == pytest.approx(8169 * 12 / (12 + 24), rel=0.001)
    assert middle.chance_of_none < 1e-9
    assert found.strokes == 16 * 12_000
