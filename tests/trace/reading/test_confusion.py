"""What codes may be read as, and how what was read turns into chances."""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog import reference
from tracelog.language import in_language
from tracelog.plant.dome_code import DomeCode, parse_dome_code
from tracelog.trace.reading.confusion import Confusion
from tracelog.trace.reading.rules import Bearing, joined, needs_doubt, shared

MODEL = Confusion(reference.confusable_digits(), reference.reading_doubt())
CODES = st.tuples(st.integers(1, 99), st.integers(1, 99)).map(lambda n: DomeCode(*map(str, n)))
PLANT = [DomeCode(str(line), str(number)) for line, number in product(range(1, 9), range(1, 19))]


def reasons(true: str, read: str) -> set[str]:
    """Why a can with one code may be read as another."""
    found = MODEL.misreadings(parse_dome_code(true))
    return {one.reason for one in found if str(one.code) == read}


@pytest.mark.parametrize(
    ("true", "read", "reason"),
    [
        ("3-6", "3-9", "turned upside down"),
        ("1-16", "1-91", "turned upside down"),
        ("3-66", "3-99", "turned upside down"),
        ("6-1", "1-9", "turned upside down, so that the two numbers change places"),
        ("3-6", "3-90", "turned upside down"),
        ("3-12", "12-3", "line and machine swapped"),
        ("3-8", "3-3", "worn or filled 8 read as 3"),
        ("3-7", "3-1", "worn or filled 7 read as 1"),
        ("2-1", "2-11", "1 struck twice, read as 11"),
        ("3-12", "3-51", "read from inside or from a flipped picture"),
    ],
)
def test_each_trap_leads_where_the_table_says(true: str, read: str, reason: str) -> None:
    assert reason in reasons(true, read)


def test_reasons_are_told_in_the_language_of_who_asks_whoever_asked_first() -> None:
    english = reasons("3-12", "12-3")
    with in_language("es"):
        spanish = reasons("3-12", "12-3")
    assert english == reasons("3-12", "12-3") == {"line and machine swapped"}
    assert spanish
    assert not spanish & english


def test_a_digit_is_struck_twice_but_two_never_become_one() -> None:
    assert reasons("2-1", "2-11")
    assert not reasons("2-11", "2-1")


@given(CODES)
def test_misreadings_are_other_codes_and_seldom(code: DomeCode) -> None:
    found = MODEL.misreadings(code)
    assert all(one.code != code and one.chance > 0 for one in found)
    assert sum(one.chance for one in found) < 0.1


@given(CODES)
def test_a_reading_that_nobody_doubts_counts_as_it_is(code: DomeCode) -> None:
    certain = MODEL.of(code, code, is_doubted=False)
    doubted = MODEL.of(code, code, is_doubted=True)
    assert certain is not None
    assert doubted is not None
    assert (certain.chance, certain.reason) == (1.0, "as read")
    assert 0 < doubted.chance < certain.chance


def test_a_doubted_reading_is_likelier_right_than_any_one_misreading() -> None:
    read = parse_dome_code("3-8")
    found = {str(true): MODEL.of(read, true, is_doubted=True) for true in PLANT}
    chances = {code: one.chance for code, one in found.items() if one is not None}
    assert set(chances) >= {"3-8", "3-3", "3-6", "8-3"}
    assert max(chances, key=lambda code: chances[code]) == "3-8"
    assert 0.5 < chances["3-8"] / sum(chances.values()) < 0.95


def test_digits_that_were_read_may_be_wrong_too_where_the_reader_doubts() -> None:
    read = parse_dome_code("3-1?")
    turned = MODEL.of(read, parse_dome_code("5-12"), is_doubted=True)
    assert turned is not None
    assert turned.reason == "worn or filled 5 read as 3"
    any_digit = MODEL.of(read, parse_dome_code("2-17"), is_doubted=True)
    assert any_digit is not None
    assert any_digit.chance < turned.chance
    assert MODEL.of(read, parse_dome_code("2-17"), is_doubted=False) is None
    assert MODEL.of(read, parse_dome_code("2-27"), is_doubted=True) is None


def bearing(key: str, strokes: float, **more: object) -> Bearing[str]:
    values = {"likelihood": 1.0, "reason": "", "is_as_read": True, "is_known": True, **more}
    return Bearing(key, key, strokes=strokes, **values)  # type: ignore[arg-type]


def test_shares_are_likelihood_times_strokes_times_rate() -> None:
    found, is_weighed = shared(
        [bearing("a", 100, likelihood=0.2), bearing("b", 50, rate=2.0), bearing("c", 0)],
        unread_counts=False,
    )
    assert is_weighed
    assert {one.bearing.key: one.probability for one in found} == pytest.approx(
        {"a": 20 / 120, "b": 100 / 120, "c": 0.0}
    )


def test_a_counter_that_is_not_known_counts_as_the_others_only_if_asked() -> None:
    both = [bearing("a", 100), bearing("b", 0, is_known=False)]
    assert [one.probability for one in shared(both, unread_counts=True)[0]] == [0.5, 0.5]
    assert [one.probability for one in shared(both, unread_counts=False)[0]] == [1.0, 0.0]


def test_pieces_of_time_add_up_and_one_unknown_piece_leaves_it_unknown() -> None:
    [one] = joined([bearing("a", 3), bearing("a", 4, is_known=False)])
    assert (one.strokes, one.is_known, one.stood) == (7, False, False)


def test_a_code_is_doubted_by_itself_only_where_no_machine_can_have_made_it() -> None:
    assert needs_doubt([bearing("a", 5)]) is None
    assert needs_doubt([bearing("a", 0, is_known=False)]) is None
    assert "made no can then" in (needs_doubt([bearing("a", 0)]) or "")
    assert "No machine bore" in (needs_doubt([bearing("a", 5, is_as_read=False)]) or "")
