"""Dates, numbers, codes and words as people write them become what files hold."""

from typing import Any

import pytest

from tracelog.intake.spreadsheets.converting import Converter, Made
from tracelog.intake.spreadsheets.mapping import LEAVE_OUT, Dates, Mapping, Source
from tracelog.intake.spreadsheets.targets import columns_of, file_named


def made(
    column: str, *cells: Any, file: str = "defects.csv", header: str = "x,y,z", **mapping: Any
) -> Made:
    since_1904 = mapping.pop("since_1904", False)
    source = mapping.pop("source", Source("x", "y" if len(cells) > 1 else ""))
    whole = Mapping(file, sources={column: source}, **mapping)
    columns = columns_of(file_named(file), None)
    converter = Converter(whole, header.split(","), columns, since_1904=since_1904)
    (row,) = converter.rows([(2, cells)])
    return row


def text(column: str, *cells: Any, **mapping: Any) -> str:
    row = made(column, *cells, **mapping)
    assert not row.faults, row.faults
    return row.cells[column]


def fault(column: str, *cells: Any, **mapping: Any) -> str:
    (found,) = made(column, *cells, **mapping).faults
    return found.sentence


@pytest.mark.parametrize(
    ("cells", "instant"),
    [
        (["29.3.2026 6:15"], "2026-03-29T06:15:00"),
        (["29/03/26 06:15:30"], "2026-03-29T06:15:30"),
        (["29-3-2026 6:15 PM"], "2026-03-29T18:15:00"),
        (["2026/3/29 12:15 am"], "2026-03-29T00:15:00"),
        (["2026-03-29T06:15:00"], "2026-03-29T06:15:00"),
        (["2026-03-29 06:15:00+02:00"], "2026-03-29T06:15:00+02:00"),
        ([["2026-03-29T06:15:00"]], "2026-03-29T06:15:00"),
        (["29.3.2026", "6:15"], "2026-03-29T06:15:00"),
        (["29.3.2026", "6.15"], "2026-03-29T06:15:00"),
        (["29.3.2026", "14h05"], "2026-03-29T14:05:00"),
        (["29.3.2026", 1430], "2026-03-29T14:30:00"),
        (["29.3.2026", 0.25], "2026-03-29T06:00:00"),
        ([["2026-03-29T00:00:00"], ["06:15:00"]], "2026-03-29T06:15:00"),
        ([["2026-03-29T00:00:00"], "06:15"], "2026-03-29T06:15:00"),
    ],
)
def test_an_instant_is_read_with_the_day_first(cells: list[Any], instant: str) -> None:
    assert text("seen_at", *cells) == instant


def test_an_instant_is_read_with_the_month_first() -> None:
    assert text("seen_at", "3/29/2026 6:15", dates=Dates.MONTH_FIRST) == "2026-03-29T06:15:00"
    assert text("seen_at", "3/4/2026 6:15", dates=Dates.MONTH_FIRST) == "2026-03-04T06:15:00"
    assert text("seen_at", "3/4/2026 6:15") == "2026-04-03T06:15:00"


@pytest.mark.parametrize(
    ("figure", "since_1904", "instant"),
    [
        (46110.25, False, "2026-03-29T06:00:00"),
        (46110.260416666664, False, "2026-03-29T06:15:00"),
        (44648.25, True, "2026-03-29T06:00:00"),
        (61.5, False, "1900-03-01T12:00:00"),
    ],
)
def test_numbers_of_days_are_read_where_somebody_says_so(
    figure: float, since_1904: bool, instant: str
) -> None:
    got = text("seen_at", figure, dates=Dates.SERIAL, since_1904=since_1904)
    assert got == instant
    assert "is a plain number" in fault("seen_at", figure)


@pytest.mark.parametrize(
    ("cells", "sentence"),
    [
        (["29.13.2026 6:15"], "the other way round"),
        (["31.2.2026 6:15"], "no date with the day first"),
        (["soon"], "is not a date"),
        (["29.3.2026"], "has no time of day"),
        ([["2026-03-29T00:00:00"]], "has no time of day"),
        ([["06:15:00"]], "a time of day without a date"),
        (["29.3.2026", "noon"], "is not a time of day"),
        (["29.3.2026 25:15"], "is not a time of day"),
    ],
)
def test_what_is_no_instant_is_told(cells: list[Any], sentence: str) -> None:
    assert sentence in fault("seen_at", *cells)


def test_a_day_alone_gets_the_time_that_somebody_chose() -> None:
    assert text("seen_at", "29.3.2026", clock="06:00") == "2026-03-29T06:00:00"
    assert text("seen_at", "29.3.2026 7:00", clock="06:00") == "2026-03-29T07:00:00"


@pytest.mark.parametrize(
    ("cell", "comma", "number"),
    [
        ("1,5", True, "1.5"),
        ("1.234,5", True, "1234.5"),
        ("1.234.567", True, "1234567"),
        ("1 234", True, "1234"),
        ("1,234", False, "1234"),
        ("1,234.5", False, "1,234.5"),
        ("0.25", False, "0.25"),
        (0.25, True, "0.25"),
        (12.0, True, "12"),
        ("twelve", True, "twelve"),
    ],
)
def test_numbers_are_read_with_their_comma_or_point(cell: Any, comma: bool, number: str) -> None:
    assert text("value", cell, file="measurements.csv", comma=comma) == number


def test_a_code_comes_from_one_cell_or_from_two() -> None:
    assert text("dome_code", "3-7") == "3-7"
    assert text("dome_code", 3, 7) == "3-7"
    assert text("dome_code", "Line 3", "BM 07") == "3-07"
    assert text("dome_code", "3", "1?") == "3-1?"


def test_a_code_that_became_a_date_is_told() -> None:
    assert "has made a date of it" in fault("dome_code", ["2026-07-03T00:00:00"])
    assert "has made a date of it" in fault("line", ["2026-07-03T00:00:00"], file="services.csv")


@pytest.mark.parametrize(
    ("cell", "line", "bodymaker"),
    [("3-7", "3", "7"), ("L3/BM07", "3", "7"), ("3 . 12", "3", "12"), ("7", "7", "7")],
)
def test_a_column_with_whole_codes_gives_line_and_bodymaker(
    cell: str, line: str, bodymaker: str
) -> None:
    assert text("line", cell, file="services.csv") == line
    assert text("bodymaker", cell, file="services.csv") == bodymaker


@pytest.mark.parametrize(
    ("cell", "word"),
    [("x", "yes"), ("Sí", "yes"), (True, "yes"), ("não", "no"), ("perhaps", "perhaps")],
)
def test_yes_and_no_are_read_in_three_languages(cell: Any, word: str) -> None:
    assert text("unplanned", cell, file="services.csv") == word


def test_words_become_ours_or_leave_the_row_out() -> None:
    words = {"defect": {"rotura": "wall-split", "prueba": LEAVE_OUT}}
    assert text("defect", "rotura", words=words) == "wall-split"
    assert text("defect", "other", words=words) == "other"
    assert made("defect", "prueba", words=words).left_out


def test_an_error_of_the_spreadsheet_is_never_taken_for_text() -> None:
    assert "is an error of the spreadsheet" in fault("note", "#N/A")


def test_a_fixed_text_stands_where_the_cell_is_blank() -> None:
    source = Source("x", "", "trimmer")
    assert text("found_at", "necker", source=source) == "necker"
    row = made("found_at", None, "y", source=Source("x", "y", "trimmer"))
    assert row.cells == {"found_at": ""} or row.cells["found_at"]


def test_rows_without_a_filled_chosen_cell_are_passed_over() -> None:
    columns = columns_of(file_named("defects.csv"), None)
    mapping = Mapping("defects.csv", sources={"note": Source("x", "", "fixed")})
    converter = Converter(mapping, ["x", "y"], columns, since_1904=False)
    assert list(converter.rows([(2, (None, "only beside")), (3, ("a",))])) == [
        Made(3, {"note": "a"})
    ]
