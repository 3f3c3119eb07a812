"""Candidates of doubtful codes, and of codes that no running machine bears, on a known plant."""

from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import WRITTEN_AT, ZONE, hour
from tracelog.errors import TracelogError
from tracelog.plant.dome_code import parse_dome_code
from tracelog.trace.dossier import Dossier, dossier
from tracelog.trace.making import Question, read_certainty, read_time_code


@pytest.fixture
def session(session: Session) -> Session:
    plant.write_plant(session)
    plant.write_readings(session)
    return session


def asked(session: Session, code: str | None, **more: object) -> Dossier:
    read = parse_dome_code(code) if code else None
    return dossier(session, Question(read, **more), WRITTEN_AT)  # type: ignore[arg-type]


def told(found: Dossier) -> dict[str, str]:
    return {one.machine.text: one.reason for one in found.candidates}


def test_a_clear_code_has_one_candidate_and_nothing_to_say(session: Session) -> None:
    found = asked(session, "1-2", at=hour(100))
    assert [(one.machine.text, one.probability) for one in found.candidates] == [("1-2", 1.0)]
    assert (found.note, found.dropped, told(found)) == (None, (), {"1-2": ""})


def test_a_doubted_code_has_the_machines_that_are_read_like_it(session: Session) -> None:
    found = asked(session, "1-2", at=hour(100), is_doubted=True)
    assert told(found) == {
        "1-2": "as read",
        "2-1": "line and machine swapped",
        **dict.fromkeys(("1-1", "1-3", "2-2"), "another mark taken for a digit"),
    }
    assert found.candidates[0].machine.text == "1-2"
    assert sum(one.probability for one in found.candidates) == pytest.approx(1)
    assert {str(one.code): one.reason for one in found.dropped}["7-2"] == "no such machine"


def test_a_code_that_no_machine_bears_gets_those_that_are_read_like_it(session: Session) -> None:
    found = asked(session, "4-2", at=hour(100))
    assert told(found) == {"1-2": "worn or filled 1 read as 4"}
    assert found.machine is not None
    assert "No machine bore this code" in (found.note or "")
    assert ("4-2", "no such machine") in {(str(one.code), one.reason) for one in found.dropped}


def test_the_very_defect_counts_but_one_entry_does_not_decide(session: Session) -> None:
    plain = asked(session, "?-1", at=hour(200), defect="split")
    even = {one.machine.text: one.probability for one in plain.candidates}
    assert even == pytest.approx({"1-1": 0.5, "2-1": 0.5})
    plant.log(session, 150, "1-1")
    once = asked(session, "?-1", at=hour(200), defect="split").candidates[0]
    assert (once.machine.text, once.probability < 0.8) == ("1-1", True)
    for number in range(12):
        plant.log(session, 151 + number, "1-1")
    often = asked(session, "?-1", at=hour(200), defect="split").candidates[0]
    assert often.machine.text == "1-1"
    assert often.probability > 0.85
    other = asked(session, "?-1", at=hour(200), defect="wrinkle").candidates[0]
    assert other.probability == pytest.approx(0.5)


def test_time_and_place_found_tell_an_interval_before(session: Session) -> None:
    found = asked(session, "1-2", seen_at=hour(100), found_at="palletiser")
    assert hour(100) - timedelta(minutes=95) <= found.made.start < found.made.end
    assert found.made.end <= hour(100) - timedelta(minutes=20)
    assert "less the way to there" in found.made.basis
    at_machine = asked(session, "1-2", seen_at=hour(100), found_at="bodymaker").made
    assert hour(100) - timedelta(minutes=31) < at_machine.start
    assert at_machine.end - at_machine.start < found.made.end - found.made.start


def test_the_interval_narrows_with_what_is_known_of_the_way(session: Session) -> None:
    before = asked(session, "1-2", seen_at=hour(300), found_at="palletiser").made
    for number in range(60):
        at = 24 + number
        plant.log(
            session,
            at + (40 + number % 5) / 60,
            "1-2",
            found_at="palletiser",
            made_at=hour(at).isoformat(),
        )
    after = asked(session, "1-2", seen_at=hour(300), found_at="palletiser").made
    assert after.start <= hour(300) - timedelta(minutes=42) <= after.end
    assert after.end - after.start < before.end - before.start


def test_time_code_and_finding_narrow_each_other_or_contradict(session: Session) -> None:
    code = read_time_code("2026-02-06 10", ZONE)
    alone = asked(session, "1-2", time_code=code).made
    both = asked(session, "1-2", time_code=code, seen_at=code[0] + timedelta(minutes=30)).made
    assert alone.start <= both.start < both.end < alone.end
    with pytest.raises(TracelogError, match="do not go together"):
        asked(session, "1-2", time_code=code, seen_at=code[0] - timedelta(days=1))


def test_a_finding_costs_the_same_statements_whatever_is_on_record(
    session: Session, statements: Statements
) -> None:
    def counted() -> int:
        with statements.counted() as sent:
            asked(session, "1-?", seen_at=hour(200), found_at="palletiser", is_doubted=True)
        return len(sent)

    before = counted()
    for number in range(6):
        made = hour(24 + number)
        plant.log(session, 25 + number, "1-2", found_at="palletiser", made_at=made.isoformat())
    assert counted() == before


@pytest.mark.parametrize(
    ("text", "minutes"),
    [("2026-05-01", 1440), ("2026-05-01 14", 60), ("2026-05-01T14:20", 1), ("2026-03-29", 1380)],
)
def test_a_time_code_is_as_long_as_it_is_exact(text: str, minutes: int) -> None:
    start, end = read_time_code(text, ZONE)
    assert end - start == timedelta(minutes=minutes)


def test_an_hour_that_the_clock_shows_twice_is_meant_twice() -> None:
    start, end = read_time_code("2026-10-25 02", ZONE)
    assert end - start == timedelta(hours=2)


@pytest.mark.parametrize("text", ["", "14:20", "2026-13-01", "2026-05-01 25", "٢٠٢٦-٠٥-٠١"])
def test_what_is_no_time_code_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a time code"):
        read_time_code(text, ZONE)


def test_certainty_is_one_of_two_words() -> None:
    assert (read_certainty("sure"), read_certainty("unsure")) == (False, True)
    with pytest.raises(ValueError, match="write sure or unsure"):
        read_certainty("maybe")
