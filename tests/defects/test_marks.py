"""Marks as people write them, and which of them are one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.defects.marks import normal_mark, part_of, read_mark


@pytest.mark.parametrize(
    ("written", "normal"),
    [
        ("mandrel 12", "mandrel 12"),
        ("Mandrel #012", "mandrel 12"),
        ("MANDREL no. 12", "mandrel 12"),
        ("12th mandrel", "mandrel 12"),
        ("mandrels 12", "mandrel 12"),
        ("mandrel12", "mandrel 12"),
        ("mandrel-12", "mandrel 12"),
        ("pocket: 3", "pocket 3"),
        ("segment/4", "segment 4"),
        ("red dot", "ink dot red"),
        ("Ink dot, red", "ink dot red"),
        ("ink dots gray blue", "ink dot blue grey"),
        ("red", "ink dot red"),
        ("scratch  LEFT", "scratch left"),
        ("mandrel 12 and 13", "mandrel 12 and 13"),
        ("mandrel", "mandrel"),
        ("#", "#"),
    ],
)
def test_marks_that_mean_the_same_are_one(written: str, normal: str) -> None:
    assert normal_mark(written) == normal


def test_a_mark_that_counts_a_part_names_it() -> None:
    assert part_of("Pocket no 3") == "pocket"
    assert part_of("ink dot red") is None
    assert part_of("mandrel") is None


def test_a_typed_mark_is_one_word_and_must_be_there() -> None:
    assert read_mark("mandrel-12") == "mandrel 12"
    with pytest.raises(ValueError, match="is missing after"):
        read_mark("")


@given(st.text(max_size=80))
def test_what_is_normal_stays_as_it_is(text: str) -> None:
    assert normal_mark(normal_mark(text)) == normal_mark(text)
