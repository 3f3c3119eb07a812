"""Every field of the log's facts: what is taken, and the sentence for what is not."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.defects.small_plant import ZONE
from tracelog.defects.facts import (
    CORRECTABLE,
    CorrectionFact,
    CorrectionRowFact,
    DefectTypeFact,
    EntryFact,
    read_changes,
    with_companions,
    write_changes,
)
from tracelog.errors import BadFact

ENTRY = {"seen_at": "2026-03-02T10:00", "defect": "split", "dome_code": "1-1"}
ID = "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e55"
ROW = {
    "id": ID,
    "entry": ID,
    "corrected_at": "2026-03-02T10:00",
    "corrected_by": "Ana",
    "reason": "misread",
}
LONG = "x" * 5000

BAD_ENTRIES: list[tuple[dict[str, Any], str, str]] = [
    ({"id": "17"}, "id", "'17' is not a UUID; write 36 characters"),
    ({"seen_at": ""}, "seen_at", "is missing; a value is needed"),
    ({"seen_at": "yesterday"}, "seen_at", "is not an instant"),
    ({"seen_at": "2026-03-29T02:30"}, "seen_at", "does not exist in Europe/Madrid"),
    ({"seen_at": "2026-10-25T02:30"}, "seen_at", "occurs twice in Europe/Madrid"),
    ({"dome_code": "17"}, "dome_code", "'17' is not a dome code; write line and bodymaker"),
    ({"dome_code": "0-1"}, "dome_code", "both numbers are from 1 to 999"),
    ({"defect": ""}, "defect", "is missing; a value is needed"),
    ({"defect": LONG}, "defect", "is 5000 characters long; at most 80 are kept"),
    ({"cans": "two"}, "cans", "'two' is not a whole number"),
    ({"cans": "1.5"}, "cans", "'1.5' is not a whole number"),
    ({"cans": "-1"}, "cans", "'-1' is out of range; it must be from 0"),
    ({"cans": "0"}, "cans", "is 0; a finding in running production has at least 1 can"),
    ({"cans": "9", "inspected": "8"}, "cans", "9 bad cans are more than the 8 inspected"),
    ({"inspected": "8"}, "cans", "is missing; write how many of the inspected cans were bad"),
    ({"occurrences": "2"}, "occurrences", "2 separate happenings are more than the 1 cans"),
    ({"occurrences": "0"}, "occurrences", "is 0, but there are bad cans"),
    ({"occurrences": "many"}, "occurrences", "'many' is not a whole number"),
    ({"inspected": "0", "cans": "0"}, "inspected", "'0' is out of range; it must be from 1"),
    ({"inspected": "all"}, "inspected", "'all' is not a whole number"),
    ({"found_at": LONG}, "found_at", "at most 80 are kept"),
    ({"made_at": "2026-03-02T10:01"}, "made_at", "is after seen_at; a can is made before"),
    ({"made_at": "early"}, "made_at", "is not an instant"),
    ({"coil": "K\x00"}, "coil", "has a control character; write plain text"),
    ({"pallet": LONG}, "pallet", "at most 80 are kept"),
    ({"mark": LONG}, "mark", "at most 80 are kept"),
    ({"note": LONG}, "note", "is 5000 characters long; at most 4000 are kept"),
    ({"logged_by": LONG}, "logged_by", "at most 80 are kept"),
    ({"logged_at": "now"}, "logged_at", "is not an instant"),
    ({"tablet_clock_error_s": "fast"}, "tablet_clock_error_s", "'fast' is not a number"),
    ({"tablet_clock_error_s": 5e9}, "tablet_clock_error_s", "is out of range"),
    ({"operator": "Ana"}, "operator", "'operator' is not known here; known are id, seen_at"),
]


def test_every_field_of_an_entry_has_a_bad_value_here() -> None:
    assert {field for _values, field, _sentence in BAD_ENTRIES} >= {
        *EntryFact.columns(),
        *EntryFact.unusual_fields,
    }


@pytest.mark.parametrize(("values", "field", "sentence"), BAD_ENTRIES)
def test_a_bad_field_of_an_entry_gets_one_sentence(
    values: dict[str, Any], field: str, sentence: str
) -> None:
    with pytest.raises(BadFact) as told:
        EntryFact.read(ENTRY | values, ZONE)
    (fault,) = told.value.faults
    assert fault.field == field
    assert sentence in fault.sentence


BAD_TYPES: list[tuple[dict[str, Any], str, str]] = [
    ({"defect": " "}, "defect", "is missing"),
    ({"name": LONG}, "name", "at most 80 are kept"),
    ({"stage": LONG}, "stage", "at most 80 are kept"),
    ({"severity": "awful"}, "severity", "is not one of: leak, contact, strength, run, look, label"),
    ({"arises_at": LONG}, "arises_at", "at most 80 are kept"),
    ({"traces_to": LONG}, "traces_to", "at most 4000 are kept"),
    ({"notes": "\x07"}, "notes", "has a control character"),
]


def test_every_field_of_a_defect_type_has_a_bad_value_here() -> None:
    assert {field for _values, field, _sentence in BAD_TYPES} == set(DefectTypeFact.columns())


@pytest.mark.parametrize(("values", "field", "sentence"), BAD_TYPES)
def test_a_bad_field_of_a_defect_type_gets_one_sentence(
    values: dict[str, Any], field: str, sentence: str
) -> None:
    with pytest.raises(BadFact) as told:
        DefectTypeFact.read({"defect": "split"} | values, ZONE)
    (fault,) = told.value.faults
    assert fault.field == field
    assert sentence in fault.sentence


BAD_ROWS: list[tuple[dict[str, Any], str, str]] = [
    ({"id": "x"}, "id", "is not a UUID"),
    ({"entry": ""}, "entry", "is missing"),
    ({"entry": "x"}, "entry", "is not a UUID"),
    ({"corrected_at": ""}, "corrected_at", "is missing"),
    ({"corrected_at": "later"}, "corrected_at", "is not an instant"),
    ({"corrected_by": ""}, "corrected_by", "is missing"),
    ({"corrected_by": LONG}, "corrected_by", "at most 120 are kept"),
    ({"reason": " "}, "reason", "is missing"),
    ({"withdrawn": "perhaps"}, "withdrawn", "'perhaps' is neither 'yes' nor 'no'"),
    ({"changes": "cans=2"}, "changes", "is not an object of fields and new values"),
    ({"changes": "[1]"}, "changes", "is not an object of fields and new values"),
    ({"changes": '{"logged_by": "Ben"}'}, "changes", "'logged_by' cannot be corrected; fields"),
    ({"changes": '{"cans": 2}'}, "changes", "leaves out occurrences, inspected; cans, occ"),
    ({"changes": '{"made_at": ""}'}, "changes", "leaves out seen_at; seen_at, made_at are"),
    (
        {"changes": '{"cans": 2, "occurrences": 3, "inspected": ""}'},
        "changes",
        "occurrences: 3 separate happenings are more than the 2 cans",
    ),
    ({"changes": '{"dome_code": "17"}'}, "changes", "dome_code: '17' is not a dome code"),
    ({"changes": '{"defect": ""}'}, "changes", "defect: is missing"),
]


def test_every_field_of_a_correction_has_a_bad_value_here() -> None:
    assert {field for _values, field, _sentence in BAD_ROWS} == set(CorrectionRowFact.columns())


@pytest.mark.parametrize(("values", "field", "sentence"), BAD_ROWS)
def test_a_bad_field_of_a_correction_gets_one_sentence(
    values: dict[str, Any], field: str, sentence: str
) -> None:
    with pytest.raises(BadFact) as told:
        CorrectionRowFact.read(ROW | values, ZONE)
    (fault,) = told.value.faults
    assert fault.field == field
    assert sentence in fault.sentence


@pytest.mark.parametrize(
    ("values", "field", "sentence"),
    [
        ({"id": "x"}, "id", "is not a UUID"),
        ({"entry": ""}, "entry", "is missing"),
        ({"reason": ""}, "reason", "is missing"),
        ({"withdrawn": "perhaps"}, "withdrawn", "neither 'yes' nor 'no'"),
        ({"values": {"id": ID}}, "values", "'id' cannot be corrected; fields that can are seen_at"),
        ({"values": 7}, "values", "is not an object of fields and new values"),
    ],
)
def test_a_bad_field_of_what_a_person_corrects_gets_one_sentence(
    values: dict[str, Any], field: str, sentence: str
) -> None:
    with pytest.raises(BadFact) as told:
        CorrectionFact.read({"entry": ID, "reason": "misread"} | values, ZONE)
    (fault,) = told.value.faults
    assert fault.field == field
    assert sentence in fault.sentence


def test_the_changes_of_a_correction_are_kept_in_one_spelling() -> None:
    sent = {"seen_at": "2026-03-02T10:00", "made_at": None, "dome_code": "03/07"}
    fact = CorrectionRowFact.read(ROW | {"changes": json.dumps(sent)}, ZONE)
    assert fact.changes == '{"dome_code": "3-7", "made_at": "", "seen_at": "2026-03-02T09:00:00Z"}'
    again = CorrectionRowFact.read(ROW | {"changes": fact.changes}, ZONE)
    assert again == fact


def test_a_correction_without_an_id_gets_one_from_its_content() -> None:
    without = {name: value for name, value in ROW.items() if name != "id"}
    first, again = (CorrectionRowFact.read(without, ZONE) for _ in range(2))
    other = CorrectionRowFact.read(without | {"reason": "another"}, ZONE)
    assert first.id == again.id != other.id


def test_fields_that_are_checked_against_each_other_are_corrected_together() -> None:
    assert with_companions(["note"]) == ("note",)
    assert with_companions(["cans"]) == ("cans", "occurrences", "inspected")
    assert with_companions(["made_at", "defect"]) == ("seen_at", "defect", "made_at")


VALUES = st.fixed_dictionaries(
    {},
    optional={
        "dome_code": st.sampled_from(["1-1", "?-2", ""]),
        "defect": st.sampled_from(["split", "wrinkle"]),
        "found_at": st.sampled_from(["necker", ""]),
        "coil": st.text("Kß\"',\\ 1", max_size=6),
        "note": st.text("Kß\"',\\\n 1", max_size=6),
    },
)


@given(VALUES)
def test_changes_are_read_back_as_they_were_written(values: dict[str, str]) -> None:
    read = read_changes(values, ZONE)
    assert set(read) == set(values) <= set(CORRECTABLE)
    assert read_changes(write_changes(read), ZONE) == read
