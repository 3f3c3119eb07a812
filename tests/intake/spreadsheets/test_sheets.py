"""A spreadsheet becomes plain cells; whatever could harm is refused in a sentence."""

import zipfile
from datetime import datetime, time
from io import BytesIO

import pytest
from openpyxl import Workbook

from tests.intake.spreadsheets.books import saved, with_part, xlsx
from tracelog.errors import TracelogError
from tracelog.intake.spreadsheets import archive, sheets
from tracelog.intake.spreadsheets.mapping import header_of, letter_of
from tracelog.intake.spreadsheets.sheets import packed, read_book, unpacked


def cells(content: bytes, name: str = "list.xlsx") -> list[tuple[int, tuple[object, ...]]]:
    return list(read_book(name, content).sheets[0].rows)


def refused(content: bytes) -> str:
    with pytest.raises(TracelogError) as problem:
        read_book("list.xlsx", content)
    assert problem.value.field == "file"
    return problem.value.sentence


def test_numbers_texts_and_dates_are_told_apart() -> None:
    rows = cells(
        xlsx(
            [
                ["a", 3, 0.25, True, None],
                [datetime.fromisoformat("2026-03-29T06:15:59.999800"), time(6, 5)],
            ]
        )
    )
    assert rows == [(1, ("a", 3, 0.25, True)), (2, (["2026-03-29T06:16:00"], ["06:05:00"]))]


@pytest.mark.parametrize("since_1904", [False, True])
def test_dates_are_the_same_whether_they_count_from_1900_or_1904(since_1904: bool) -> None:
    book = read_book(
        "list.xlsx", xlsx([[datetime.fromisoformat("2026-03-29T06:15:00")]], since_1904=since_1904)
    )
    assert book.sheets[0].rows == ((1, (["2026-03-29T06:15:00"],)),)
    assert book.since_1904 is since_1904


def test_the_day_that_never_was_shifts_no_other() -> None:
    """Serial 61 is the 1st of March 1900, although 60 stands for a 29th of February."""
    book = Workbook()
    sheet = book.worksheets[0]
    for row, serial in enumerate((59, 61, 46110), start=1):
        sheet.cell(row, 1, serial).number_format = "yyyy-mm-dd"
    assert [row[1][0] for row in cells(saved(book))] == [
        ["1900-02-28T00:00:00"],
        ["1900-03-01T00:00:00"],
        ["2026-03-29T00:00:00"],
    ]


def test_rows_keep_their_numbers_and_blank_ones_are_left_out() -> None:
    assert [number for number, _cells in cells(xlsx([["a"], [], [None, ""], ["b"]]))] == [1, 4]


def test_a_formula_is_not_worked_out() -> None:
    assert cells(xlsx([["a", "=1+1"], ["b", 2]])) == [(1, ("a",)), (2, ("b", 2))]


def test_merged_headers_of_two_rows_name_each_column_once() -> None:
    book = Workbook()
    sheet = book.worksheets[0]
    sheet["A1"], sheet["B1"] = "Date", "Can"
    sheet.merge_cells("B1:C1")
    sheet["B2"], sheet["C2"], sheet["E2"] = "line", "machine", "line"
    sheet["A3"], sheet["D3"] = "x", "y"
    read = read_book("list.xlsx", saved(book)).sheets[0]
    assert header_of(read, 1, 2) == ["Date", "Can line", "Can machine", "Can", "Can line (E)"]
    assert header_of(read, 2, 2) == ["[A]", "line", "machine", "[D]", "line (E)"]


def test_columns_are_lettered_as_in_a_spreadsheet() -> None:
    assert [letter_of(place) for place in (0, 25, 26, 701, 702)] == ["A", "Z", "AA", "ZZ", "AAA"]


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]
)
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_text_files_are_read_in_whatever_way_they_were_saved(encoding: str, delimiter: str) -> None:
    lines = [["línea", "note"], ["3-7", 'a "quoted", word; and more'], ["3-8", "zwei\nZeilen"]]
    quoted = [[line[0], '"' + line[1].replace('"', '""') + '"'] for line in lines]
    text = "\r\n".join(delimiter.join(line) for line in quoted)
    assert [list(row) for _number, row in cells(text.encode(encoding), "list.csv")] == lines


def test_a_note_on_the_separator_is_no_row() -> None:
    assert cells(b"sep=;\r\na;b\r\n1;2\r\n", "list.csv") == [(2, ("a", "b")), (3, ("1", "2"))]


def test_a_decimal_comma_splits_no_cell() -> None:
    assert cells(b"a;b\n1,5;2\n2,5;3\n", "list.csv")[1] == (2, ("1,5", "2"))


def test_cells_are_unpacked_as_they_were_packed() -> None:
    book = read_book(
        "list.xlsx", xlsx([["ä", 3, 0.25, None, False], [datetime.fromisoformat("2026-01-01")]])
    )
    assert unpacked(packed(book)) == book


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "is missing or empty"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(100), "old .xls format"),
        (b"PK\x03\x04" + bytes(60), "is damaged"),
        (b"a" * (sheets.MOST_BYTES + 1), "is larger than 12 MB"),
        (b";;;\n", "holds no filled cell"),
        (b"\x81\x8d\x8f\xff", "is not text that can be read"),
        (b'a,b\n"open' + b"x" * 200_000, "is no CSV"),
    ],
)
def test_what_is_no_spreadsheet_is_told(content: bytes, sentence: str) -> None:
    assert sentence in refused(content)


def test_another_archive_is_no_spreadsheet() -> None:
    held = BytesIO()
    with zipfile.ZipFile(held, "w") as other:
        other.writestr("content.xml", "<a/>")
    assert "is an archive, but no .xlsx" in refused(held.getvalue())


@pytest.mark.parametrize(
    "part",
    [
        b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "b">]><worksheet/>',
        '<?xml version="1.0"?><!DOCTYPE x SYSTEM "http://example.invalid/x"><a/>'.encode("utf-16"),
        b" " * (1 << 20) + b"<!ENTITY a 'b'>",
        b" " * ((1 << 20) - 4) + b"<!DOCTYPE x>",
    ],
)
def test_xml_that_declares_entities_is_refused_unread(part: bytes) -> None:
    bad = with_part(xlsx([["a"]]), "xl/worksheets/sheet1.xml", part)
    assert "declares types or entities" in refused(bad)


def test_an_archive_that_unpacks_to_too_much_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archive, "MOST_UNPACKED_BYTES", 3 << 20)
    bomb = with_part(xlsx([["a"]]), "xl/media/picture.bin", bytes(4 << 20))
    assert len(bomb) < 20_000
    assert "unpacks to more than 3 MB" in refused(bomb)


def test_an_archive_of_thousands_of_parts_is_refused() -> None:
    held = BytesIO(xlsx([["a"]]))
    with zipfile.ZipFile(held, "a") as book:
        for number in range(archive.MOST_MEMBERS):
            book.writestr(f"x/{number}", b"")
    assert "too many parts" in refused(held.getvalue())


def test_a_broken_sheet_is_told_in_our_words() -> None:
    bad = with_part(xlsx([["a"]]), "xl/worksheets/sheet1.xml", b"<worksheet><sheetData><row>")
    assert "cannot be read as a spreadsheet" in refused(bad)


def test_a_million_blank_rows_cost_nothing_and_a_far_row_is_found() -> None:
    book = Workbook()
    sheet = book.worksheets[0]
    sheet["A1"], sheet["A1048576"] = "a", "b"
    assert cells(saved(book)) == [(1, ("a",)), (1_048_576, ("b",))]


def test_too_many_rows_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheets, "MOST_ROWS", 5)
    assert "has more than 5 rows" in refused(b"a,b\n" * 20)


def test_columns_far_to_the_right_are_not_read() -> None:
    book = Workbook()
    sheet = book.worksheets[0]
    sheet["A1"], sheet["XFD1"] = "a", "b"
    assert cells(saved(book)) == [(1, ("a",))]


def test_a_very_long_cell_is_cut_where_no_check_would_take_it() -> None:
    ((_number, (cell,)),) = cells(b"x" * 100_000)
    assert len(str(cell)) == sheets.LONGEST_CELL
