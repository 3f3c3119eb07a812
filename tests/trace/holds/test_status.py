"""A pallet is held wherever it is shown, for as long as any hold holds it."""

import pytest
from sqlalchemy.orm import Session

from tests.trace.holds.small_stock import (
    MINUTE,
    NOW,
    QUENTIN,
    held,
    step_fact,
    write,
    write_stock,
)
from tests.trace.two_lines import hour
from tracelog.plant.dome_code import parse_dome_code
from tracelog.plant.queries import directory
from tracelog.plant.stays import pallet_named
from tracelog.trace.dossier import dossier
from tracelog.trace.making import Question
from tracelog.trace.suspects.queries import SuspectQuestion, suspect_pallets
from tracelog.trace.where_used import where_used

LATER = NOW + 60 * MINUTE


@pytest.fixture(autouse=True)
def _stock(session: Session) -> None:
    write_stock(session)


def statuses(session: Session) -> set[str | None]:
    """What each part of the trace says of P-1."""
    machine = directory(session).machine_named("1-1")
    question = SuspectQuestion(machine.id, hour(9), hour(10))
    reached = [one.pallet for one in suspect_pallets(session, question, LATER).pallets]
    used = where_used(session, "machine", "1-1", hour(9), hour(10), LATER).pallets
    can = Question(parse_dome_code("1-1"), hour(9.5))
    lay = dossier(session, can, LATER).pallets
    asked = dossier(session, Question(pallet="P-1"), LATER).pallets
    told = [one for found in (reached, used, lay, asked) for one in found if one.pallet == "P-1"]
    assert len(told) == 4
    return {one.status for one in told}


def test_a_pallet_is_held_everywhere_until_every_hold_has_decided(session: Session) -> None:
    assert statuses(session) == {None}
    first, second = held(session), held(session, pallets=["P-1"])
    assert statuses(session) == {"held"}
    write(session, step_fact(first, "released", "P-1"), QUENTIN)
    assert statuses(session) == {"held"}
    write(session, step_fact(second, "released", "P-1"), QUENTIN)
    assert statuses(session) == {None}
    # What the plant's file says of it stays what the file said.
    kept = pallet_named(session, "P-1")
    assert kept is not None
    assert kept.status is None
