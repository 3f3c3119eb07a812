import csv
import io
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from tracelog.intake.csv_rows import CsvFile
from tracelog.intake.spreadsheets.sheets import read_book
from tracelog.web.sheets import FORMULA_STARTS, Sheet, as_csv, as_it_was, as_xlsx, harmless

ZONE = ZoneInfo("Europe/Madrid")
AT = datetime(2026, 3, 29, 12, 0, tzinfo=UTC)
SHEET = Sheet(
    "rates: 3/7 [all]",
    ("name", "rate", "note", "at", "outside"),
    (("3-7", 1.25, '=HYPERLINK("x")', AT, True), ("@sum", -3, None, AT, False)),
    ZONE,
)


def test_csv_has_a_header_and_numbers_as_numbers() -> None:
    rows = list(csv.reader(io.StringIO(as_csv(SHEET), newline="")))
    assert rows[0] == list(SHEET.columns)
    assert rows[1] == ["3-7", "1.25", '\'=HYPERLINK("x")', "2026-03-29 14:00:00+02:00", "yes"]
    assert rows[2] == ["'@sum", "-3", "", "2026-03-29 14:00:00+02:00", "no"]


def test_a_workbook_holds_the_same_cells_and_no_formula() -> None:
    page = load_workbook(io.BytesIO(as_xlsx(SHEET))).active
    assert page.freeze_panes == "A2"
    rows = list(page.iter_rows())
    assert [cell.value for cell in rows[0]] == list(SHEET.columns)
    assert [cell.value for cell in rows[1]][:3] == ["3-7", 1.25, '\'=HYPERLINK("x")']
    assert [cell.value for cell in rows[2]][:3] == ["'@sum", -3, None]
    assert all(cell.data_type != "f" for row in rows for cell in row)


@pytest.mark.parametrize("start", FORMULA_STARTS)
def test_text_that_begins_like_a_formula_gets_an_apostrophe(start: str) -> None:
    assert harmless(f"{start}1") == f"'{start}1"


@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"])))
def test_no_text_is_run_and_none_is_lost(text: str) -> None:
    kept = harmless(text)
    assert kept in {text, f"'{text}"}
    assert not kept.startswith(FORMULA_STARTS)
    [row] = list(csv.reader(io.StringIO(as_csv(Sheet("t", (), ((text, "x"),), ZONE)), newline="")))[
        1:
    ]
    assert row == [kept, "x"]


# What facts keep: trimmed, without control characters; often with what a spreadsheet would run.
KEPT = (
    st.tuples(
        st.text("'", max_size=2),
        st.text(" ", max_size=1),
        st.sampled_from(["", *"=+-@＝＋－＠", "\ufeff=", "\u200b@"]),
        st.text(
            st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn", "Co"]), max_size=8
        ),
    )
    .map(lambda parts: "".join(parts).strip())
    .filter(bool)
)


@given(st.text())
def test_text_comes_back_as_it_was(text: str) -> None:
    assert as_it_was(harmless(text)) == text


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(KEPT, KEPT), min_size=1, max_size=4))
def test_every_file_that_is_read_here_gives_back_what_was_exported(
    cells: list[tuple[str, str]],
) -> None:
    sheet = Sheet("t", ("first", "second"), tuple(cells), ZONE)
    for name, content in (("t.csv", as_csv(sheet).encode()), ("t.xlsx", as_xlsx(sheet))):
        read = [row for _number, row in read_book(name, content).sheets[0].rows]
        assert read == [("first", "second"), *cells], name
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "t.csv"
        path.write_bytes(as_csv(sheet).encode())
        with CsvFile(path) as opened:
            assert [tuple(row.cells) for row in opened.rows()] == cells
