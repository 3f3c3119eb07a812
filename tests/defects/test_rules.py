"""Corrections applied, words for defects, and the order in which defects are offered."""

import random
import uuid
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.defects.rules import (
    HALF_LIFE,
    Correction,
    DefectWord,
    Use,
    counted_occurrences,
    latest_first,
    matching_defects,
    near_words,
    occurred_at,
    recency_weights,
    standing,
    unknown_word,
)

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
ORIGINAL = {"cans": 2, "defect": "split", "note": None}


def correction(minute: int, *, withdrawn: bool = False, **changes: object) -> Correction:
    return Correction(uuid.uuid4(), NOON + timedelta(minutes=minute), withdrawn, changes)


def test_an_entry_without_corrections_stands_as_logged() -> None:
    now = standing(ORIGINAL, [])
    assert (now.values, now.withdrawn, now.corrections) == (ORIGINAL, False, 0)


def test_only_the_named_fields_change_and_the_latest_correction_wins() -> None:
    now = standing(ORIGINAL, [correction(2, cans=5), correction(1, cans=4, note="dented")])
    assert now.values == {"cans": 5, "defect": "split", "note": "dented"}
    assert now.corrections == 2


def test_the_last_correction_says_whether_an_entry_is_withdrawn() -> None:
    gone, back = correction(1, withdrawn=True), correction(2)
    assert standing(ORIGINAL, [gone]).withdrawn
    assert not standing(ORIGINAL, [back, gone]).withdrawn


def test_corrections_of_one_instant_apply_in_order_of_their_ids() -> None:
    low, high = (
        Correction(uuid.UUID(int=number), NOON, withdrawn=False, changes={"cans": number})
        for number in (1, 2)
    )
    assert standing(ORIGINAL, [high, low]).values["cans"] == 2


@given(
    st.lists(st.tuples(st.integers(0, 3), st.booleans(), st.integers(1, 9)), max_size=6),
    st.randoms(use_true_random=False),
)
def test_the_order_in_which_corrections_arrive_does_not_matter(
    made: list[tuple[int, bool, int]], shuffle: random.Random
) -> None:
    corrections = [correction(at, withdrawn=gone, cans=cans) for at, gone, cans in made]
    shuffled = list(corrections)
    shuffle.shuffle(shuffled)
    assert standing(ORIGINAL, shuffled) == standing(ORIGINAL, corrections)


def test_an_entry_counts_when_the_can_was_made_if_that_is_known() -> None:
    made = NOON - timedelta(days=30)
    assert occurred_at({"made_at": made, "seen_at": NOON}) == made
    assert occurred_at({"made_at": None, "seen_at": NOON}) == NOON


def test_an_entry_counts_for_as_many_occurrences_as_cans_unless_it_says_so() -> None:
    assert counted_occurrences(60, None) == 60
    assert counted_occurrences(60, 1) == 1


WORDS = [
    DefectWord("split", "split body"),
    DefectWord("split-neck"),
    DefectWord("tear-off", "torn in the rings"),
]


@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("split", ["split"]),
        ("Split Body", ["split"]),
        ("split neck", ["split-neck"]),
        ("spl", ["split", "split-neck"]),
        ("t", ["tear-off"]),
        ("in rings", ["tear-off"]),
        ("rings in", []),
        ("", []),
        (" - ", []),
    ],
)
def test_a_typed_word_finds_the_defects_that_it_can_mean(typed: str, found: list[str]) -> None:
    assert matching_defects(typed, WORDS) == found


def test_near_words_are_those_that_a_slip_may_have_meant() -> None:
    assert near_words("TEAROFF", ["split", "tear-off"]) == ["tear-off"]
    assert near_words("zzz", ["split", "tear-off"]) == []


def test_the_sentence_for_an_unknown_word_lists_what_is_known() -> None:
    assert unknown_word("zzz", ["split"], "a defect") == (
        "'zzz' is not a defect of this plant; known are split"
    )
    assert unknown_word("zzz", [], "a defect").endswith("none are entered yet")


def test_an_entry_of_a_half_life_ago_weighs_half() -> None:
    uses = [
        Use("split", NOON),
        Use("split", NOON - HALF_LIFE),
        Use("wrinkle", NOON - 2 * HALF_LIFE),
    ]
    assert recency_weights(uses, NOON) == {"split": 1.5, "wrinkle": 0.25}


def test_an_entry_that_lies_ahead_weighs_as_one_of_now() -> None:
    assert recency_weights([Use("split", NOON + HALF_LIFE)], NOON) == {"split": 1.0}


def test_two_entries_of_yesterday_come_before_a_hundred_of_long_ago() -> None:
    uses = [Use("wrinkle", NOON - timedelta(days=1))] * 2
    uses += [Use("split", NOON - timedelta(days=12))] * 100
    assert latest_first(["short-can", "split", "wrinkle"], uses, NOON) == [
        "wrinkle",
        "split",
        "short-can",
    ]


def test_defects_that_nobody_logged_keep_their_order() -> None:
    assert latest_first(["b", "a", "c"], [], NOON) == ["b", "a", "c"]
