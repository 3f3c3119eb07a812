"""What a sheet holds is guessed from its header and its values, in three languages."""

from datetime import datetime
from typing import Any

import pytest

from tracelog.intake.spreadsheets.guessing import guess_header, guess_mapping, guess_word, plain
from tracelog.intake.spreadsheets.mapping import Dates, Mapping, Source
from tracelog.intake.spreadsheets.sheets import Sheet
from tracelog.intake.spreadsheets.targets import SETTINGS, USUAL, Column, Kind, titles

DAY = ["2026-03-29T06:15:00"]
FILES = list(titles())


def sheet(*rows: list[Any]) -> Sheet:
    return Sheet("Sheet", tuple((number, tuple(row)) for number, row in enumerate(rows, start=1)))


def guessed(*rows: list[Any]) -> Mapping:
    return guess_mapping(sheet(*rows), FILES)


def columns(mapping: Mapping) -> dict[str, str]:
    return {
        name: f"{source.column}+{source.second}" if source.second else source.column
        for name, source in mapping.sources.items()
    }


def test_a_plant_folders_own_header_is_its_own_mapping() -> None:
    from tracelog.intake.files import FILES_BY_NAME

    for name in (*USUAL, "lines.csv", "machines.csv", "service_levels.csv"):
        header = list(FILES_BY_NAME[name].columns)
        mapping = guess_mapping(sheet(header, [None] * len(header)), FILES)
        assert mapping.file == name
        assert columns(mapping) == {column: column for column in header}, name


def test_english_defects() -> None:
    mapping = guessed(
        ["Date", "Time", "Line", "BM", "Defect", "Qty", "Remarks", "Operator"],
        ["29.3.2026", "6:15", 3, 7, "split", 2, "", "Kim"],
    )
    assert mapping.file == "defects.csv"
    assert columns(mapping) == {
        "seen_at": "Date+Time",
        "dome_code": "Line+BM",
        "defect": "Defect",
        "cans": "Qty",
        "note": "Remarks",
        "logged_by": "Operator",
    }


def test_spanish_defects() -> None:
    mapping = guessed(
        ["Fecha", "Hora", "Código", "Defecto", "Latas", "Observaciones"],
        ["29/03/2026", "06:15", "3-7", "rotura", 2, "x"],
    )
    assert mapping.file == "defects.csv"
    assert columns(mapping) == {
        "seen_at": "Fecha+Hora",
        "dome_code": "Código",
        "defect": "Defecto",
        "cans": "Latas",
        "note": "Observaciones",
    }
    assert mapping.dates is Dates.DAY_FIRST


def test_portuguese_readings() -> None:
    mapping = guessed(["Data", "Linha", "Máquina", "Contador"], [DAY, 1, 2, 123])
    assert mapping.file == "readings.csv"
    assert columns(mapping) == {
        "read_at": "Data",
        "line": "Linha",
        "bodymaker": "Máquina",
        "strokes": "Contador",
    }


def test_services_with_whole_codes_in_one_column() -> None:
    mapping = guessed(["Done", "Machine", "Service"], [DAY, "3-7", "minor"], [DAY, "3-8", "minor"])
    assert mapping.file == "services.csv"
    assert mapping.sources["line"] == mapping.sources["bodymaker"] == Source("Machine")


def test_columns_without_words_are_found_by_their_values() -> None:
    rows = ["A1", "B2", "Defect"], [DAY, "3-7", "split"], [DAY, "3-8", "split"]
    mapping = guess_mapping(sheet(*rows), FILES, "defects.csv")
    assert columns(mapping) == {"seen_at": "A1", "dome_code": "B2", "defect": "Defect"}


def test_a_title_above_the_header_is_passed_over() -> None:
    found = sheet(["Line 3, scrap"], [], ["Date", "Defect", "Cans"], [DAY, "split", 2])
    assert guess_header(found) == (3, 3)


def test_a_merged_header_of_two_rows_is_taken_as_one() -> None:
    found = sheet(["Date", "Can", None], [None, "line", "machine"], [DAY, 3, 7])
    assert guess_header(found) == (1, 2)


@pytest.mark.parametrize(
    ("dates", "order"),
    [
        (["3/4/2026", "3/29/2026"], Dates.MONTH_FIRST),
        (["3/4/2026", "29/3/2026"], Dates.DAY_FIRST),
        (["3/4/2026"], Dates.DAY_FIRST),
    ],
)
def test_days_and_months_are_told_apart_where_one_date_tells(
    dates: list[str], order: Dates
) -> None:
    assert guessed(["Date", "Defect"], *[[one, "x"] for one in dates]).dates is order


def test_a_decimal_comma_is_seen() -> None:
    assert guessed(["Date", "Value"], [DAY, "1,25"]).comma
    assert not guessed(["Date", "Value"], [DAY, "1.25"]).comma


def test_only_what_the_role_may_load_is_guessed() -> None:
    allowed = [name for name in titles() if name not in SETTINGS]
    header = ["line", "station", "number", "rated_spm"]
    assert guess_mapping(sheet(header, [1, "x", 2, 3]), allowed).file in allowed


def test_words_near_ours_are_offered_and_others_are_not() -> None:
    column = Column(
        "found_at",
        "",
        Kind.WORD,
        needed=False,
        known=(("light-tester", "light tester"), ("necker", "necker")),
    )
    assert guess_word("Light Tester", column, {}) == "light-tester"
    assert guess_word("lighttester", column, {}) == "light-tester"
    assert guess_word("conveyor", column, {}) == ""
    assert guess_word("conveyor", column, {"conveyor": "necker"}) == "necker"


def test_accents_capitals_and_signs_do_not_count() -> None:
    assert plain("  CÓDIGO (domo)_N° ") == "codigo domo n"


def test_a_mapping_is_read_back_as_it_was_written() -> None:
    from tracelog.intake.spreadsheets.mapping import read_mapping

    mapping = guessed(
        ["Date", "Time", "Defect"], [str(datetime.fromisoformat("2026-03-01").date()), "6:00", "x"]
    )
    whole = mapping.with_words({"defect": {"x": "y"}})
    assert read_mapping(whole.text()) == whole
