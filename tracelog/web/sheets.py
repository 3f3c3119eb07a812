"""Figures as files for spreadsheets: CSV and XLSX of one table.

A spreadsheet takes text that begins with = + - @ (or a blank, a tab or a line break before them, or
the wide form of such a sign) for a formula and runs it when the file is opened. Such text is
written with an apostrophe before it, in both formats and in plant folders, and loses it again when
the file is read here; text that begins so with apostrophes of its own gets one more, so that every
text comes back as it was. Numbers are written as numbers and stay as they are. Sources: OWASP, "CSV
Injection" (from memory), and ASVS 5.0.0, requirement 1.2.10.
"""

import csv
import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeAlias
from zoneinfo import ZoneInfo

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\0", "＝", "＋", "－", "＠")
# After apostrophes of its own, and what some program leaves out before it looks.
_RUN = re.compile(r"'*(?:[\t\r\n\0]|[\s\ufeff\u200b]*[=+\-@＝＋－＠])")
CSV_TYPE = "text/csv; charset=utf-8"
XLSX_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
Cell: TypeAlias = str | int | float | bool | datetime | None


@dataclass(frozen=True)
class Sheet:
    """A table of figures: what it shows, its columns, its rows.

    Instants are written on the plant's clock, as text with their offset.
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    zone: ZoneInfo


def harmless(text: str) -> str:
    """Text that no spreadsheet runs as a formula.

    Example:
        >>> harmless("=1+1"), harmless("split")
        ("'=1+1", 'split')
    """
    return f"'{text}" if _RUN.match(text) else text


def as_it_was(text: str) -> str:
    """Text of a file as it was before `harmless`; any other text stays as it is.

    Example:
        >>> as_it_was("'=1+1"), as_it_was("'split'")
        ('=1+1', "'split'")
    """
    return text[1:] if text[:1] == "'" and _RUN.match(text) else text


def cell_value(value: Cell, zone: ZoneInfo) -> str | int | float | None:
    """A cell as it is written: numbers as numbers, everything else as harmless text."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.astimezone(zone).isoformat(sep=" ", timespec="seconds")
    return harmless(value) if isinstance(value, str) else value


def as_csv(sheet: Sheet) -> str:
    """The table as CSV with a header row (RFC 4180); blank where nothing is known."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([harmless(column) for column in sheet.columns])
    writer.writerows(_written(sheet))
    return text.getvalue()


def as_xlsx(sheet: Sheet) -> bytes:
    """The table as a workbook with one sheet, its header row fixed."""
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font

    book = Workbook(write_only=True)
    page = book.create_sheet(_sheet_name(sheet.title))
    page.freeze_panes = "A2"
    heads = []
    for column in sheet.columns:
        head = WriteOnlyCell(page, harmless(column))
        head.font = Font(bold=True)
        heads.append(head)
    page.append(heads)
    for row in _written(sheet):
        page.append(row)
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


def _written(sheet: Sheet) -> Iterable[Sequence[str | int | float | None]]:
    for row in sheet.rows:
        yield [cell_value(value, sheet.zone) for value in row]


def _sheet_name(title: str) -> str:
    """A name that workbooks take: no brackets or slashes, at most 31 characters."""
    kept = "".join(sign for sign in title if sign not in "[]:*?/\\'")
    return kept[:31].strip() or "tracelog"
