"""The typed line: what it understands, and the sentence for what it does not."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.defects.rules import DefectWord, matching_defects
from tracelog.defects.typed_line import read_typed_line
from tracelog.errors import BadFact
from tracelog.reference import defect_types

VOCABULARY = [
    DefectWord("split", "split body"),
    DefectWord("split-neck", "split at the neck"),
    DefectWord("scored-wall", "scored wall"),
    DefectWord("tear-off", "tear-off in the ironing rings"),
    DefectWord("dome-off-centre", "dome off centre"),
    DefectWord("trim-short", "short can", ("low can", "split second")),
]
STATIONS = ["light-tester", "line-inspection", "necker"]


def read(text: str) -> dict[str, str]:
    return read_typed_line(text, VOCABULARY, STATIONS)


def faults(text: str) -> dict[str, str]:
    with pytest.raises(BadFact) as told:
        read(text)
    return {fault.field: fault.sentence for fault in told.value.faults}


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("3-7 split 2", {"dome_code": "3-7", "defect": "split", "cans": "2"}),
        ("3 7 split", {"dome_code": "3-7", "defect": "split"}),
        ("3 7 2 split", {"dome_code": "3-7", "defect": "split", "cans": "2"}),
        (
            "03/07 split 2 @light-tester",
            {"dome_code": "3-7", "defect": "split", "cans": "2", "found_at": "light-tester"},
        ),
        ("3.7 SPLIT", {"dome_code": "3-7", "defect": "split"}),
        ("3 - 7 split", {"dome_code": "3-7", "defect": "split"}),
        ("3-1? tear", {"dome_code": "3-1?", "defect": "tear-off"}),
        ("?-? split", {"dome_code": "?-?", "defect": "split"}),
        (
            "3-7 scored 0/200",
            {"dome_code": "3-7", "defect": "scored-wall", "cans": "0", "inspected": "200"},
        ),
        (
            "3-7 tear-off 60 1x",
            {"dome_code": "3-7", "defect": "tear-off", "cans": "60", "occurrences": "1"},
        ),
        ("split 4", {"defect": "split", "cans": "4"}),
        ("3-7 split x2", {"dome_code": "3-7", "defect": "split", "cans": "2"}),
        ("3-7 split ×02", {"dome_code": "3-7", "defect": "split", "cans": "2"}),
        ("3-7 X2 split", {"dome_code": "3-7", "defect": "split", "cans": "2"}),
        ("3-7 split 2 cans", {"dome_code": "3-7", "defect": "split", "cans": "2"}),
        ("3-7 1 Can split", {"dome_code": "3-7", "defect": "split", "cans": "1"}),
        (
            "3-7 scored 0 of 200",
            {"dome_code": "3-7", "defect": "scored-wall", "cans": "0", "inspected": "200"},
        ),
        (
            "3-7 tear-off 60 cans 1 time",
            {"dome_code": "3-7", "defect": "tear-off", "cans": "60", "occurrences": "1"},
        ),
        # A unit is part of the defect's name where the name has it, and else a unit.
        ("3-7 short can 2", {"dome_code": "3-7", "defect": "trim-short", "cans": "2"}),
        ("3-7 short 2 can", {"dome_code": "3-7", "defect": "trim-short", "cans": "2"}),
        ("3-7 2 cans short can", {"dome_code": "3-7", "defect": "trim-short", "cans": "2"}),
        # Words of the floor, after codes and names.
        ("3-7 low can", {"dome_code": "3-7", "defect": "trim-short"}),
        ("3-7 low", {"dome_code": "3-7", "defect": "trim-short"}),
        ("3-7 split second", {"dome_code": "3-7", "defect": "trim-short"}),
        (
            "3-7 split # near the rim, 2 o'clock # again",
            {"dome_code": "3-7", "defect": "split", "note": "near the rim, 2 o'clock # again"},
        ),
        ("3-7 split #", {"dome_code": "3-7", "defect": "split"}),
        ("3-7 dome off centre", {"dome_code": "3-7", "defect": "dome-off-centre"}),
        ("3-7 off cen", {"dome_code": "3-7", "defect": "dome-off-centre"}),
        ("3-7 scored_wall", {"dome_code": "3-7", "defect": "scored-wall"}),
        ("3-7 split @light", {"dome_code": "3-7", "defect": "split", "found_at": "light-tester"}),
        ("  3-7\tsplit  ", {"dome_code": "3-7", "defect": "split"}),
        ("3-7 split +Mandrel-012", {"dome_code": "3-7", "defect": "split", "mark": "mandrel 12"}),
        ("3-7 +red-dot split", {"dome_code": "3-7", "defect": "split", "mark": "ink dot red"}),
    ],
)
def test_a_line_is_read_into_the_fields_of_an_entry(text: str, values: dict[str, str]) -> None:
    assert read(text) == values


def test_a_word_of_the_floor_stands_back_behind_codes_and_names() -> None:
    words = [DefectWord("split", also=("tear",)), DefectWord("tear-off")]
    assert read_typed_line("3-7 tear", words)["defect"] == "tear-off"
    assert read_typed_line("3-7 tear", words[:1])["defect"] == "split"


def test_no_word_of_the_floor_means_two_defects_or_is_another_ones_name() -> None:
    known = [DefectWord(one.defect, one.name, one.also) for one in defect_types()]
    called = [(spelling, one.defect) for one in known for spelling in one.other_spellings]
    assert len({spelling for spelling, _defect in called}) == len(called) >= 60
    for spelling, defect in called:
        assert matching_defects(spelling, known) == [defect], spelling


@pytest.mark.parametrize(
    ("text", "field", "sentence"),
    [
        ("", "dome_code", "is missing; type dome code and defect, such as 3-7 split x2"),
        ("# only a note", "dome_code", "is missing; type dome code and defect"),
        ("3 split", "dome_code", "'3' is not a dome code; type line and bodymaker such as 3-7"),
        ("3-7split", "dome_code", "'3-7split' is not a dome code"),
        ("0-7 split", "dome_code", "both numbers are from 1 to 999"),
        ("3-1000 split", "dome_code", "both numbers are from 1 to 999"),
        ("3-7", "defect", "is missing; type it after the dome code, such as 3-7 split"),
        ("3-7 5", "defect", "is missing"),
        ("3-7 s", "defect", "'s' can be split, split-neck, scored-wall, trim-short; type"),
        ("3-7 splitt", "defect", "near it: split"),
        ("3-7 zzz", "defect", "'zzz' is not a defect of this plant; known are split, split-neck"),
        ("3-7 split 2 3", "cans", "is typed twice, the second time as '3'; type one"),
        ("3-7 split 2 x3", "cans", "is typed twice, the second time as 'x3'; type one"),
        ("3-7 split 1x 2 times", "occurrences", "is typed twice, the second time as '2 times'"),
        ("3-7 2 cans", "defect", "is missing"),
        ("3-7 split 2 0/200", "cans", "is typed twice, the second time as '0/200'"),
        ("3-7 split 0/200 1/50", "inspected", "is typed twice"),
        ("3-7 split 1x 2x", "occurrences", "is typed twice"),
        ("3-7 split @necker @light", "found_at", "is typed twice"),
        ("3-7 split +", "mark", "is missing after +; type the mark, such as +mandrel-12"),
        ("3-7 split +red +blue", "mark", "is typed twice"),
        ("3-7 split @", "found_at", "is missing after @; type a station"),
        ("3-7 split @li", "found_at", "'li' can be light-tester, line-inspection; type more"),
        ("3-7 split @nekker", "found_at", "'nekker' is not a station of this plant; near it: neck"),
        ("3-7 " + "split " * 1000, "", "the line is too long; type one can only"),
    ],
)
def test_what_is_wrong_is_told_at_its_field(text: str, field: str, sentence: str) -> None:
    assert sentence in faults(text)[field]


def test_every_fault_of_a_line_is_told_at_once() -> None:
    assert set(faults("3-1000 zzz 1 2 @nowhere")) == {"dome_code", "defect", "cans", "found_at"}


def test_without_a_vocabulary_the_sentence_says_that_none_is_entered() -> None:
    with pytest.raises(BadFact, match="none are entered yet"):
        read_typed_line("3-7 split", [])


def test_without_stations_any_place_is_taken_as_typed() -> None:
    assert read_typed_line("3-7 split @Filler", VOCABULARY)["found_at"] == "Filler"


@given(st.text(max_size=60))
def test_any_text_is_read_or_refused_with_a_sentence(text: str) -> None:
    told: list[str] = []
    values: dict[str, str] = {}
    try:
        values = read(text)
    except BadFact as problem:
        told = [fault.sentence for fault in problem.faults]
    assert all(told)
    assert bool(told) != (values.get("defect") in {word.defect for word in VOCABULARY})


@given(
    st.integers(1, 999),
    st.integers(1, 999),
    st.sampled_from(VOCABULARY),
    st.integers(1, 10**6),
    st.sampled_from(STATIONS),
    st.permutations(range(3)),
)
def test_the_parts_after_the_code_may_stand_in_any_order(
    line: int, number: int, word: DefectWord, cans: int, place: str, order: list[int]
) -> None:
    parts = [word.defect, str(cans), f"@{place}"]
    text = " ".join([f"{line}-{number}", *(parts[index] for index in order)])
    assert read(text) == {
        "dome_code": f"{line}-{number}",
        "defect": word.defect,
        "cans": str(cans),
        "found_at": place,
    }
