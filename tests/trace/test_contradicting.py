"""A clear code of another line than the pallet's or the coil's: both possibilities are told."""

import json

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tests.support.site import Cast, Visit
from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.db import writing
from tracelog.errors import TracelogError
from tracelog.plant.dome_code import parse_dome_code
from tracelog.plant.queries import directory
from tracelog.trace.answers import dossier_answer
from tracelog.trace.dossier import Dossier, dossier
from tracelog.trace.making import Question


def fill(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)
    plant.write_levels(session)
    plant.fill_pallet(session, "W-1", 1, 100, 100.25)
    plant.run_coil(session, "K-2", 2, 98, 102)


def trace(
    session: Session, code: str, pallet: str | None = None, coil: str | None = None
) -> Dossier:
    question = Question(parse_dome_code(code), pallet=pallet, coil=coil)
    return dossier(session, question, hour(HOURS))


def test_code_and_pallet_of_two_lines_give_both_possibilities(session: Session) -> None:
    fill(session)
    found = trace(session, "2-1", pallet="W-1")
    both = found.contradiction
    assert both is not None
    assert (found.candidates, found.machine) == ((), None)
    assert both.sentence == (
        "Code and pallet contradict each other: no bodymaker of line 1 bore the code 2-1 then, and"
        " there the pallet was."
    )
    assert [(one.machine.text, one.probability) for one in both.by_code] == [("2-1", 1.0)]
    # Swapped, 1-2 reads as 2-1, and so does 1-1 with another digit; 1-3 differs in both.
    assert [one.machine.text for one in both.by_place] == ["1-2", "1-1"]
    assert sum(one.probability for one in both.by_place) == pytest.approx(1)
    assert "swapped" in both.by_place[0].reason
    # What is known of the pallet is told, whichever is right.
    assert [(one.stay.pallet, one.probability) for one in found.laid.pallets] == [("W-1", None)]
    assert (found.line, found.coils, found.dropped) == (None, (), ())


def test_a_code_and_a_coil_of_two_lines_too(session: Session) -> None:
    fill(session)
    both = trace(session, "1-3", coil="K-2").contradiction
    assert both is not None
    assert both.sentence.startswith("Code and coil contradict each other: no bodymaker of line 2")
    assert [one.machine.text for one in both.by_code] == ["1-3"]


def test_a_code_that_no_machine_bears_is_no_contradiction(session: Session) -> None:
    fill(session)
    with pytest.raises(TracelogError, match="no bodymaker of line 1 bore the code 2-9") as told:
        trace(session, "2-9", pallet="W-1")
    assert told.value.field == "code"
    assert trace(session, "1-1", pallet="W-1").contradiction is None


def test_the_answer_of_the_api_has_both(session: Session) -> None:
    fill(session)
    found = trace(session, "2-1", pallet="W-1")
    told = dossier_answer(found, directory(session))["contradiction"]
    assert [one["machine"] for one in told["if_the_code_is_right"]] == ["2-1"]
    assert [one["machine"] for one in told["if_pallet_or_coil_is_right"]] == ["1-2", "1-1"]
    assert json.dumps(told)
    assert (
        dossier_answer(trace(session, "1-1", pallet="W-1"), directory(session))["contradiction"]
        is None
    )


def test_statements_do_not_grow_with_pallets(session: Session, statements: Statements) -> None:
    fill(session)

    def counted() -> int:
        with statements.counted() as sent:
            trace(session, "2-1", pallet="W-1")
        return len(sent)

    before = counted()
    for number in range(5):
        plant.fill_pallet(session, f"X-{number}", 1, 101 + number, 101.5 + number)
    assert counted() == before


def test_the_page_says_both_and_leads_on(visit: Visit, cast: Cast, own_engine: Engine) -> None:
    with writing(own_engine) as session:
        fill(session)
    cast.sign_in(visit, "operator")
    answer = visit.get("/trace?code=2-1&pallet=W-1")
    assert answer.status_code == 200
    assert "Code and pallet contradict each other" in answer.text
    assert "If the code is right" in answer.text
    # If the pallet is right, it is asked again with the other code; else without the pallet.
    assert "/trace?code=1-2&amp;pallet=W-1" in answer.text
    assert "/trace?code=2-1&amp;at=" in answer.text
