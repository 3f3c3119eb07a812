"""What a row of cans points to: which stations can show, what to do next, and in which words."""

from zoneinfo import ZoneInfo

import pytest

from tests.cases.sequence.small_rows import PARTS, every
from tracelog.cases.sequence.answering import Answer, weigh_row
from tracelog.cases.sequence.facts import RowFact
from tracelog.cases.sequence.laying import lay
from tracelog.cases.sequence.rules import StepKind, can_show
from tracelog.cases.sequence.wording import headline, next_words, points_to, slip_words
from tracelog.errors import BadFact

ZONE = ZoneInfo("Europe/Madrid")


def weighed(taken_after: str, cans: str) -> Answer:
    return weigh_row(1, taken_after, cans, PARTS)


def read(**said: str) -> RowFact:
    return RowFact.read({"line": "1", "taken_after": "necker"} | said, ZONE)


@pytest.mark.parametrize(
    ("station", "taken_after", "shows"),
    [
        ("necker", "necker", True),
        ("necker", "flanger", True),
        ("necker", "light-tester", True),
        ("flanger", "necker", False),
        # The washer, the ovens and the spray machines mix the cans.
        ("decorator", "necker", False),
        ("decorator", "decorator", True),
        ("cupper", "bodymaker", False),
        # Each can meets all fingers of its stripper.
        ("bodymaker", "bodymaker", False),
        ("own-machine", "own-machine", True),
        ("necker", "own-machine", False),
    ],
)
def test_a_fault_shows_only_where_the_order_is_kept(
    station: str, taken_after: str, shows: bool
) -> None:
    assert can_show(station, taken_after) is shows


def test_two_stations_of_one_count_are_told_apart_by_a_sample_between_them() -> None:
    answer = weighed("light-tester", every(12, 48, 3))
    assert headline(answer) == (
        "Suggests a repeat every 12 cans: can 4 and so on, 4 of 4 bad there, 0 of 44 elsewhere."
    )
    assert points_to(answer, answer.numbers[0]) == (
        "12 pockets of the necker, 12 pockets of the flanger"
    )
    assert answer.step.kind is StepKind.BETWEEN
    assert next_words(answer) == (
        "The necker and the flanger share the count 12. Stop, and take 24 cans in order, two full"
        " turns, between necker and flanger: if the repeat shows there, it comes from the necker;"
        " if not, from the flanger."
    )


def test_behind_the_necker_only_its_own_pockets_can_be_it() -> None:
    answer = weighed("necker", every(12, 48, 3))
    assert answer.step.kind is StepKind.LOOK
    assert "Look at the 12 pockets of the necker" in next_words(answer)


def test_further_cans_are_asked_for_by_their_numbers() -> None:
    answer = weighed("light-tester", every(12, 14, 1))
    assert answer.step.kind is StepKind.CANS
    last = 14 + answer.step.cans
    assert f"Take cans 15 to {last} in the same order behind the light-tester" in next_words(answer)
    assert f"take a new one of {last} cans" in next_words(answer)


def test_a_can_that_was_not_looked_at_is_asked_for_when_it_decides() -> None:
    row = every(24, 28, 2)
    answer = weighed("light-tester", row[:14] + "?" + row[15:])
    assert answer.step.kind is StepKind.UNSEEN
    assert "can 15, which nobody looked at" in next_words(answer)


def test_a_count_that_no_station_has_is_said_to_be_missing() -> None:
    answer = weighed("necker", every(7, 70, 3))
    assert answer.step.kind is StepKind.COUNTS
    assert points_to(answer, answer.numbers[0]) == "no station of line 1 that is entered"
    assert "Check the counts of line 1" in next_words(answer)


def test_a_multiple_speaks_of_machines_side_by_side_and_a_mixed_order_is_named() -> None:
    answer = weighed("necker", every(24, 120, 3))
    assert points_to(answer, answer.numbers[0]).startswith("24 mandrels of the decorator")
    assert "the order of cans is lost" in points_to(answer, answer.numbers[0])
    answer = weighed("necker", every(36, 180, 3))
    assert "a multiple of the 12 pockets of the necker" in points_to(answer, answer.numbers[0])


def test_no_bad_can_chance_and_every_can_have_their_own_words() -> None:
    assert headline(weighed("necker", "g" * 24)).startswith("No can is bad yet")
    alike = weighed("necker", "b" * 24)
    assert (alike.step.kind, "nearly every can" in headline(alike)) == (StepKind.ALIKE, True)
    scattered = weighed("necker", "bgggbgggggbgbgggggggbbgggggggggbggggbgggbggggggbgggggggbgg" * 2)
    assert "as by chance" in headline(scattered) or "settled" in headline(scattered)
    one = weighed("necker", "gggbg")
    assert "May repeat" not in headline(one)


def test_a_lost_can_is_told() -> None:
    row = every(12, 96, 3)
    words = slip_words(weighed("necker", row[:40] + row[41:]))
    assert words is not None
    assert "missing from the order" in words
    assert slip_words(weighed("necker", row)) is None


@pytest.mark.parametrize(
    ("said", "row"),
    [
        ({"cans": "GGB g, b?"}, "ggbgb?"),
        ({"taken": "8", "bad": "2, 7 4"}, "gbgbggbg"),
        ({"taken": "6", "bad": "1", "unseen": "3;4"}, "bg??gg"),
        ({"taken": "5"}, "ggggg"),
    ],
)
def test_a_row_is_read_from_letters_or_positions(said: dict[str, str], row: str) -> None:
    assert read(**said).row == row


@pytest.mark.parametrize(
    ("said", "field", "sentence"),
    [
        ({}, "cans", "is missing; tap the cans"),
        ({"cans": "ggx"}, "cans", "write a letter for each"),
        ({"cans": "gb"}, "cans", "holds 2 cans; from 4 to 600"),
        ({"cans": "g" * 601}, "cans", "holds 601 cans"),
        ({"cans": "ggbg", "taken": "9"}, "taken", "is given beside the letters"),
        ({"taken": "8", "bad": "9"}, "bad", "names can 9 of only 8"),
        ({"taken": "8", "bad": "2 2"}, "bad", "names a position twice"),
        ({"taken": "8", "bad": "2", "unseen": "2"}, "unseen", "names can 2, which is bad"),
        ({"taken": "8", "bad": "two"}, "bad", "is not a whole number"),
        ({"taken": "3"}, "taken", "it must be from 4 to 600"),
    ],
)
def test_what_is_no_row_is_told_at_its_field(
    said: dict[str, str], field: str, sentence: str
) -> None:
    with pytest.raises(BadFact) as told:
        read(**said)
    (fault,) = told.value.faults
    assert fault.field == field
    assert sentence in fault.sentence


def test_the_row_is_laid_in_turns_with_the_column_marked() -> None:
    laid = lay(every(12, 30, 3), 12, [3])
    assert [number for _height, number in laid.turns] == [1, 13, 25]
    bad = [one for one in laid.cans if one.letter == "b"]
    assert len({one.x for one in bad}) == 1
    assert [one.number for one in bad] == [4, 16, 28]
    ((left, centre),) = laid.columns
    assert left < bad[0].x == centre < left + laid.can
    assert "Bad: 4, 16, 28" in laid.words
    assert lay("gbg?", 240, [1]).every == 4
