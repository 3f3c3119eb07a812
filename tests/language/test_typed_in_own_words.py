"""The typed line takes the words of the person's language as well as the plant's and English."""

import pytest

from tracelog import reference
from tracelog.defects.rules import DefectWord, spoken_spellings
from tracelog.defects.typed_line import read_typed_line
from tracelog.errors import BadFact
from tracelog.language import in_language, in_words

STATIONS = ["light-tester", "necker", "washer"]


def _vocabulary() -> list[DefectWord]:
    return [
        *(
            DefectWord(one.defect, one.name, spoken_spellings(one.name))
            for one in reference.defect_types()
        ),
        DefectWord("own-word", "a word of the plant"),
    ]


def test_a_defect_and_a_station_are_found_by_their_spanish_names() -> None:
    with in_language("es"):
        words = _vocabulary()
        for typed in ("rayón en el cuello", "rayon cuello", "RAYÓN EN EL C"):
            assert read_typed_line(f"3-7 {typed} 2 @probador", words, STATIONS) == {
                "dome_code": "3-7",
                "defect": "neck-mark",
                "cans": "2",
                "found_at": "light-tester",
            }
        assert read_typed_line("3-7 neck scratch @light", words, STATIONS) == {
            "dome_code": "3-7",
            "defect": "neck-mark",
            "found_at": "light-tester",
        }
        assert read_typed_line("3-7 word of the plant", words)["defect"] == "own-word"


def test_english_knows_no_spanish_word() -> None:
    words = _vocabulary()
    assert spoken_spellings("neck scratch") == ()
    with pytest.raises(BadFact):
        read_typed_line("3-7 rayón", words, STATIONS)


@pytest.mark.parametrize("language", ["es", "pt_BR"])
def test_each_defect_can_be_typed_by_its_whole_name(language: str) -> None:
    with in_language(language):
        words = _vocabulary()
        for one in reference.defect_types():
            typed = in_words(one.name)
            assert read_typed_line(f"3-7 {typed}", words)["defect"] == one.defect, typed
