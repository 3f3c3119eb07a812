"""Which earlier cases are like one: each likeness weighs what the guide says."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.cases.similar.rules import (
    DEFECT,
    LINE,
    MACHINE,
    TOOLS,
    WORDS,
    Traits,
    alike,
    cosine,
    most_alike,
    rarity,
    words_of,
)

TEXT = st.text("abc üß1-", max_size=40)


def traits(**more: object) -> Traits:
    said = {
        "defect": "split",
        "line": 1,
        "place": "1-1",
        "tool_types": frozenset({"ring-3"}),
        "text": "third ring chipped",
    }
    return Traits(**(said | more))  # type: ignore[arg-type]


def test_the_weights_add_up_to_one_and_the_same_case_is_wholly_alike() -> None:
    assert pytest.approx(1) == DEFECT + TOOLS + MACHINE + LINE + WORDS
    ((place, found),) = most_alike(traits(), [traits()], 5)
    assert (place, found.score) == (0, pytest.approx(1))


@pytest.mark.parametrize(
    ("other", "score"),
    [
        ({"defect": "wrinkle"}, 1 - DEFECT),
        ({"tool_types": frozenset({"punch"})}, 1 - TOOLS),
        ({"place": "1-2"}, 1 - MACHINE),
        ({"place": "2-1", "line": 2}, 1 - MACHINE - LINE),
    ],
)
def test_each_difference_costs_its_weight(other: dict[str, object], score: float) -> None:
    assert alike(traits(), traits(**other), 1.0).score == pytest.approx(score)


def test_cases_of_a_whole_line_are_of_no_machine() -> None:
    assert not alike(traits(place="1"), traits(place="1"), 0.0).same_machine


def test_words_are_folded_and_numbers_are_no_words() -> None:
    assert words_of("Größe: RING-3 était 4 mm, 1234") == ["grosse", "ring", "etait", "mm"]


def test_rare_words_weigh_more_as_worked_out_by_hand() -> None:
    weights = rarity([["ring", "chipped"], ["ring"], ["ring", "worn"]])
    assert weights["ring"] == pytest.approx(1)
    assert weights["worn"] == pytest.approx(1.6931, abs=1e-4)
    # Vectors (1, 1.693) and (1, 0, 1.693): 1 over the squared length 3.867.
    assert cosine(["ring", "chipped"], ["ring", "worn"], weights) == pytest.approx(0.2586, abs=1e-4)


@given(TEXT, TEXT)
def test_the_cosine_lies_within_its_bounds_and_is_the_same_both_ways(one: str, other: str) -> None:
    first, second = words_of(one), words_of(other)
    weights = rarity([first, second])
    found = cosine(first, second, weights)
    assert 0 <= found <= 1
    assert found == pytest.approx(cosine(second, first, weights))
    if first:
        assert cosine(first, first, weights) == pytest.approx(1)


def test_what_shares_only_the_line_is_not_told() -> None:
    other = traits(defect="wrinkle", place="1-2", tool_types=frozenset(), text="cups dented")
    assert most_alike(traits(), [other], 5) == []
