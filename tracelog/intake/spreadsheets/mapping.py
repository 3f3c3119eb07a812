"""How a sheet is read: which of its columns is which of ours, and how things are written."""

import hashlib
import json
from collections.abc import Mapping as Given
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from typing import Any

from tracelog.intake.spreadsheets.sheets import Cell, Sheet

# In place of one of our words: rows with this word are left out on purpose.
LEAVE_OUT = "!"
MOST_HEADER_ROW = 30
MOST_HEADER_ROWS = 3


class Dates(StrEnum):
    """How dates stand in text cells; ISO 8601 and the spreadsheet's own dates are always read."""

    DAY_FIRST = "day first"
    MONTH_FIRST = "month first"
    SERIAL = "serial"


@dataclass(frozen=True)
class Source:
    """Where one of our columns comes from.

    Attributes:
        column: their column, blank: none.
        second: another one that belongs to it: the time beside a date, the bodymaker beside a
            line.
        fixed: the same text for every row, where no column is chosen or its cell is blank.
    """

    column: str = ""
    second: str = ""
    fixed: str = ""


@dataclass(frozen=True)
class Mapping:
    """How a sheet is read.

    Attributes:
        file: of the plant folder, such as defects.csv: what the rows are.
        sheet: name of the sheet.
        header_first, header_last: numbers of the rows that name the columns.
        dates: how dates are written.
        comma: whether decimals stand after a comma.
        clock: the time of day where only a date stands, such as 06:00; blank: told as a fault.
        sources: for each of our columns.
        words: for each of our columns, their words and ours.
    """

    file: str
    sheet: str = ""
    header_first: int = 1
    header_last: int = 1
    dates: Dates = Dates.DAY_FIRST
    comma: bool = False
    clock: str = ""
    sources: Given[str, Source] = field(default_factory=dict)
    words: Given[str, Given[str, str]] = field(default_factory=dict)

    def text(self) -> str:
        """As it is kept."""
        return json.dumps(asdict(self), sort_keys=True, ensure_ascii=False)

    def with_words(self, words: Given[str, Given[str, str]]) -> "Mapping":
        """The same with other words."""
        return replace(self, words=words)


def read_mapping(text: str) -> Mapping:
    """A mapping as it was kept."""
    given: dict[str, Any] = json.loads(text)
    return Mapping(
        **{
            **given,
            "dates": Dates(given["dates"]),
            "sources": {name: Source(**one) for name, one in given["sources"].items()},
        }
    )


def letter_of(place: int) -> str:
    """The letters of a column, from 0: A, B, … Z, AA.

    Example:
        >>> letter_of(0), letter_of(27)
        ('A', 'AB')
    """
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def plain_cell(cell: Cell) -> str:
    """A cell as people read it."""
    if cell is None:
        return ""
    if isinstance(cell, list):
        return str(cell[0]).replace("T", " ")
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    return str(cell)


def header_of(sheet: Sheet, first: int, last: int) -> list[str]:
    """The names of the columns, from one row or several; each name once.

    A cell that is merged over several columns stands in the first of them only, so the upper rows
    are carried to the right.
    """
    chosen = [cells for number, cells in sheet.rows if first <= number <= last]
    width = max((len(cells) for _number, cells in sheet.rows), default=0)
    names: list[str] = []
    for place in range(width):
        parts: list[str] = []
        for depth, cells in enumerate(chosen):
            upper = depth < len(chosen) - 1
            text = plain_cell(cells[place]) if place < len(cells) else ""
            if not text and upper:
                before = [plain_cell(cell) for cell in cells[: place + 1]]
                text = next((one for one in reversed(before) if one), "")
            if text and text not in parts:
                parts.append(text)
        name = " ".join(parts)[:80] or f"[{letter_of(place)}]"
        names.append(name if name not in names else f"{name} ({letter_of(place)})")
    return names


def body_of(sheet: Sheet, last: int) -> list[tuple[int, tuple[Cell, ...]]]:
    """The rows under the header, with their numbers."""
    return [row for row in sheet.rows if row[0] > last]


def header_mark(header: list[str]) -> str:
    """What tells sheets with the same columns from others, in whatever order the columns stand."""
    plain = sorted(" ".join(name.casefold().split()) for name in header)
    return hashlib.sha256(json.dumps(plain, ensure_ascii=False).encode()).hexdigest()
