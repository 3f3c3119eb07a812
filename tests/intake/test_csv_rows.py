"""CSV as RFC 4180 has it; whatever else stands in a file is told with its place."""

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.intake.csv_rows import LONGEST_LINE_BYTES, CsvFile, CsvRow

HEADER = b"coil,alloy\n"


def read(folder: Path, content: bytes) -> list[CsvRow]:
    path = folder / "coils.csv"
    path.write_bytes(content)
    with CsvFile(path) as opened:
        assert opened.header == ["coil", "alloy"]
        return list(opened.rows())


def cells(rows: list[CsvRow]) -> list[tuple[int, list[str]]]:
    assert not any(row.faults for row in rows)
    return [(row.line, row.cells) for row in rows]


@pytest.mark.parametrize(
    "content",
    [
        HEADER + b"K1,3104\nK2,\n",
        HEADER + b"K1,3104\nK2,",
        b"coil,alloy\r\nK1,3104\r\nK2,\r\n",
        b"\xef\xbb\xbf" + HEADER + b"K1,3104\nK2,\n",
        HEADER + b'"K1","3104"\n"K2",""\n',
        b'"coil","alloy"\n' + b"K1,3104\nK2,\n",
        HEADER + b"K1,3104\nK2,\n\n\n",
    ],
    ids=["lf", "no last line end", "crlf", "bom", "all quoted", "quoted header", "blank end"],
)
def test_what_the_standard_allows_is_read(tmp_path: Path, content: bytes) -> None:
    assert cells(read(tmp_path, content)) == [(2, ["K1", "3104"]), (3, ["K2", ""])]


def test_a_row_is_named_by_the_line_on_which_it_starts(tmp_path: Path) -> None:
    content = HEADER + b'"K\n1",a\n\n"say ""no""","x\r\ny"\nK3,b\n'
    assert cells(read(tmp_path, content)) == [
        (2, ["K\n1", "a"]),
        (5, ['say "no"', "x\r\ny"]),
        (7, ["K3", "b"]),
    ]


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (b"K1,a,b\n", "has 3 cells, but the header names 2 columns"),
        (b"K1\n", "has 1 cells, but the header names 2 columns"),
        (b"K\x001,a\n", "holds a NUL byte"),
        (b"K\xe91,a\n", "is not UTF-8 (byte 0xe9)"),
        (b'"K1"x,a\n', "has text after a closing quote"),
        (b'K"1",a\n', "has a quote inside a cell"),
        (b'K1,3" wide\n', "has a quote inside a cell"),
        (b"K1,a\rK2,b\n", "has a carriage return in a cell without quotes"),
        (b"K" * 200_000 + b",a\n", "has a cell of over 131072 characters"),
        (b"K," * 10_000 + b"\n", "has 10001 cells, but the header names 2 columns"),
        (b"K" * (LONGEST_LINE_BYTES + 5) + b",a\n", "is longer than 1000000 bytes"),
        (b"K" * (3 * LONGEST_LINE_BYTES) + b"\n", "is longer than 1000000 bytes"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_row_that_is_no_csv_is_told_and_the_others_are_read(
    tmp_path: Path, line: bytes, told: str
) -> None:
    before, bad, after = read(tmp_path, HEADER + b"K0,z\n" + line + b"K9,z\n")
    assert cells([before, after]) == [(2, ["K0", "z"]), (4, ["K9", "z"])]
    (fault,) = bad.faults
    assert bad.line == 3
    assert fault.field == ""
    assert fault.sentence.startswith(told)


def test_a_quote_that_is_never_closed_is_told_where_it_opens(tmp_path: Path) -> None:
    good, bad = read(tmp_path, HEADER + b'K0,z\n"K1,a\nK2,b\n')
    assert (good.line, good.faults) == (2, ())
    assert bad.line == 3
    assert "a quote that is never closed" in bad.faults[0].sentence


def test_an_open_quote_cannot_swallow_a_large_file(tmp_path: Path) -> None:
    content = HEADER + b'"K1,a\n' + b"K2,b\n" * 100_000
    rows = read(tmp_path, content)
    assert rows[0].faults[0].sentence.startswith("has a cell of over")
    # What follows the cut is read again as rows.
    assert len(rows) > 70_000


@pytest.mark.parametrize(
    ("header", "told"),
    [
        (b"", [("", "is empty")]),
        (b"coil,alloy,coil\n", [("coil", "is named twice")]),
        (b"coil,alloy,colour\n", [("colour", "is not a column of this file")]),
        (b"Coil,alloy\n", [("Coil", "is not a column"), ("coil", "is missing in the header")]),
        (b"alloy\n", [("coil", "is missing in the header")]),
        (b"coil,al\xfcloy\n", [("", "is not UTF-8 (byte 0xfc)")]),
        (b'coil,"alloy\n', [("", "has a quote that is never closed")]),
        (b"coil,\n", [("", "is not a column of this file")]),
    ],
)
def test_a_wrong_header_is_told_column_by_column(
    tmp_path: Path, header: bytes, told: list[tuple[str, str]]
) -> None:
    path = tmp_path / "coils.csv"
    path.write_bytes(header)
    with CsvFile(path) as opened:
        faults = opened.header_faults(("coil", "alloy"), ("coil",))
    assert [fault.field for fault in faults] == [field for field, _sentence in told]
    for fault, (_field, sentence) in zip(faults, told, strict=True):
        assert fault.sentence.startswith(sentence)


def test_a_header_of_ten_thousand_columns_is_told_in_few_sentences(tmp_path: Path) -> None:
    path = tmp_path / "coils.csv"
    path.write_bytes(b",".join(b"c%d" % number for number in range(10_000)) + b"\n")
    with CsvFile(path) as opened:
        faults = opened.header_faults(("coil", "alloy"), ("coil",))
    assert len(faults) == 22
    assert "9980 more columns" in faults[20].sentence


CELLS = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0\r"), max_size=12
).filter(lambda text: text == text.strip("\n"))


@given(st.lists(st.tuples(CELLS.filter(bool), CELLS), max_size=8))
def test_what_is_written_as_csv_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, str]]
) -> None:
    written = io.StringIO()
    csv.writer(written, lineterminator="\r\n").writerows([("coil", "alloy"), *rows])
    found = read(tmp_path_factory.mktemp("csv"), written.getvalue().encode())
    assert [tuple(row.cells) for row in found] == rows
    assert not any(row.faults for row in found)
