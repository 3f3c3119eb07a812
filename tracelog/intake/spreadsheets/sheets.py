"""A spreadsheet as plain cells: read once from its bytes, kept packed, never run.

A cell is text, a number, a truth value, None, or a list of one text: a date or time as the
spreadsheet itself knows it, in ISO 8601 without an offset.
"""

import io
import json
import warnings
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from tracelog.errors import TracelogError
from tracelog.intake.spreadsheets.archive import demand_harmless
from tracelog.intake.spreadsheets.text_files import rows_of_text, text_of
from tracelog.language import _
from tracelog.web.sheets import as_it_was

Cell = Any
MOST_BYTES = 12 * 1024 * 1024
MOST_ROWS = 50_000
MOST_COLUMNS = 100
MOST_SHEETS = 20
# Longer than anything that is kept; the check of the fact says so.
LONGEST_CELL = 5_000
_ZIP = b"PK\x03\x04"
_OLD = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


@dataclass(frozen=True)
class Sheet:
    """One sheet: its name, and its rows that are not blank with their numbers, from 1."""

    name: str
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]


@dataclass(frozen=True)
class Book:
    """All sheets of a file. `since_1904`: its serial dates count from 1904, else from 1900."""

    sheets: tuple[Sheet, ...]
    since_1904: bool = False

    def sheet(self, name: str) -> Sheet:
        """The sheet of that name, else the first."""
        return next((one for one in self.sheets if one.name == name), self.sheets[0])


def read_book(name: str, content: bytes) -> Book:
    """The cells of an uploaded file.

    Args:
        name: of the file; what is in it decides, not its ending.
        content: its bytes.

    Raises:
        TracelogError: it is too large, damaged, harmful, empty or no spreadsheet; at ``file``.
    """
    if not content:
        raise TracelogError(_("is missing or empty; choose a .xlsx or .csv file"), "file")
    if len(content) > MOST_BYTES:
        raise TracelogError(
            _(
                "is larger than %(most)d MB; split it, or bring it as a CSV file with"
                " tracelog import",
                most=MOST_BYTES // 2**20,
            ),
            "file",
        )
    if content.startswith(_OLD):
        raise TracelogError(
            _(
                "is in the old .xls format, or has a password; open it in the spreadsheet program"
                " and save it as .xlsx"
            ),
            "file",
        )
    if content.startswith(_ZIP):
        demand_harmless(content)
        book = _workbook(content)
    else:
        rows = _kept(enumerate(rows_of_text(text_of(content)), start=1))
        book = Book((Sheet(name[:80], tuple(rows)),))
    if not any(sheet.rows for sheet in book.sheets):
        raise TracelogError(_("holds no filled cell"), "file")
    return Book(tuple(sheet for sheet in book.sheets if sheet.rows), book.since_1904)


def _workbook(content: bytes) -> Book:
    from openpyxl import load_workbook
    from openpyxl.utils.datetime import CALENDAR_MAC_1904

    try:
        with warnings.catch_warnings():
            # What the library cannot show (colours, rules for input) is of no use here.
            warnings.simplefilter("ignore")
            book = load_workbook(
                io.BytesIO(content), read_only=True, data_only=True, keep_links=False
            )
            sheets = []
            for sheet in book.worksheets[:MOST_SHEETS]:
                sheet.reset_dimensions()
                rows = sheet.iter_rows(max_col=MOST_COLUMNS, values_only=True)
                sheets.append(Sheet(sheet.title, tuple(_kept(enumerate(rows, start=1)))))
            return Book(tuple(sheets), book.epoch == CALENDAR_MAC_1904)
    except TracelogError:
        raise
    except Exception as problem:
        # The library has no error of its own: whatever is wrong in a file shows as any error.
        raise TracelogError(
            _("cannot be read as a spreadsheet; open it, save it as .xlsx anew and send that"),
            "file",
        ) from problem


def _kept(rows: Iterable[tuple[int, Sequence[Any]]]) -> Iterator[tuple[int, tuple[Cell, ...]]]:
    count = 0
    for number, row in rows:
        if not any(value is not None and value != "" for value in row):
            continue
        cells = [_cell(value) for value in row[:MOST_COLUMNS]]
        while cells and cells[-1] in (None, ""):
            cells.pop()
        if not cells:
            continue
        count += 1
        if count > MOST_ROWS + 10:
            raise TracelogError(
                _(
                    "has more than %(most)s rows; split it, or bring it as a CSV file with"
                    " tracelog import",
                    most=f"{MOST_ROWS:,}",
                ),
                "file",
            )
        yield number, tuple(cells)


def _cell(value: Any) -> Cell:
    if isinstance(value, str):
        return as_it_was(value.strip())[:LONGEST_CELL].strip() or None
    if isinstance(value, datetime):
        # Spreadsheets keep fractions of days; the second is what was meant.
        rounded = (value + timedelta(milliseconds=500)).replace(microsecond=0)
        return [rounded.isoformat()]
    if isinstance(value, date | time):
        return [value.isoformat()]
    if isinstance(value, timedelta):
        return [_clock(value)]
    if value is None or isinstance(value, bool | int | float):
        return value
    return str(value)[:LONGEST_CELL]


def _clock(span: timedelta) -> str:
    """A time of day that a spreadsheet shows as hours and minutes."""
    seconds = round(span.total_seconds()) % 86_400
    return time(seconds // 3600, seconds // 60 % 60, seconds % 60).isoformat()


def packed(book: Book) -> bytes:
    """The cells as they are kept."""
    content = {
        "since_1904": book.since_1904,
        "sheets": [[sheet.name, sheet.rows] for sheet in book.sheets],
    }
    return zlib.compress(json.dumps(content, ensure_ascii=False).encode(), 6)


def unpacked(cells: bytes) -> Book:
    """The cells as they were read."""
    content = json.loads(zlib.decompress(cells))
    return Book(
        tuple(
            Sheet(name, tuple((number, tuple(row)) for number, row in rows))
            for name, rows in content["sheets"]
        ),
        content["since_1904"],
    )
