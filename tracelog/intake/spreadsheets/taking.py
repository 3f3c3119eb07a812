"""Rows of a spreadsheet through the same door as the rows of a plant folder."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.errors import Fault, TracelogError
from tracelog.intake.csv_rows import CsvRow
from tracelog.intake.derived import Standing, derive_again
from tracelog.intake.files import PlantFile
from tracelog.intake.importing import Importing
from tracelog.intake.row_import import RowImport
from tracelog.intake.spreadsheets.converting import Converter, Made, filled_cells
from tracelog.intake.spreadsheets.mapping import Mapping as SheetMapping
from tracelog.intake.spreadsheets.mapping import body_of, header_of
from tracelog.intake.spreadsheets.sheets import Book
from tracelog.intake.spreadsheets.targets import columns_of, file_named
from tracelog.language import _
from tracelog.outcomes import Became
from tracelog.plant.queries import the_plant

# Cells of a row that somebody put right; None: the row is left out on purpose.
Fixes = Mapping[int, Mapping[str, str] | None]
SHOWN_ROWS = 12


@dataclass(frozen=True)
class BadRow:
    """A row that is not taken: its number, its cells in our columns, what is wrong."""

    row: int
    cells: dict[str, str]
    faults: list[tuple[str, str]]


@dataclass(frozen=True)
class Found:
    """What a look at all rows found, or what taking them in did.

    Attributes:
        rows: how many rows have a filled cell in a chosen column.
        left_out: how many of them are left out on purpose.
        became: what becomes of the others, `refused` included.
        first: the first rows as they are taken.
        bad: the rows that are not taken.
        columns: ours that are chosen, in order.
    """

    rows: int
    left_out: int
    became: dict[str, int]
    first: list[BadRow]
    bad: list[BadRow]
    columns: list[str]

    @property
    def good(self) -> int:
        """How many rows are or would be taken."""
        return sum(count for word, count in self.became.items() if word != Became.REFUSED.value)

    @property
    def new(self) -> int:
        """How many rows tell something that is not on record yet."""
        return self.good - self.became.get(Became.UNCHANGED.value, 0)

    def as_json(self) -> dict[str, Any]:
        """As it is kept."""
        return asdict(self)

    @classmethod
    def of_json(cls, kept: Mapping[str, Any]) -> "Found":
        """As it was kept."""
        rows = {
            name: [
                BadRow(one["row"], one["cells"], [(f, s) for f, s in one["faults"]])
                for one in kept[name]
            ]
            for name in ("first", "bad")
        }
        return cls(**{**kept, **rows})


@dataclass
class _SheetRows:
    """The rows of a sheet as `RowImport` reads those of a file."""

    header: list[str]
    made: list[CsvRow] = field(default_factory=list)
    bytes_read: int = 0

    def rows(self) -> Iterator[CsvRow]:
        """All rows, in order."""
        return iter(self.made)


def take_rows(
    session: Session,
    book: Book,
    mapping: SheetMapping,
    fixes: Fixes,
    actor: Actor,
    now: datetime,
) -> Found:
    """Hand the rows of a sheet to the action of their file, in the caller's transaction.

    What is refused is not written and is told; whether the rest is kept is up to the caller.

    Args:
        session: an open session that writes.
        book: the spreadsheet.
        mapping: how it is read.
        fixes: what somebody put in place of cells.
        actor: who takes them in.
        now: UTC.

    Raises:
        NoPlant: there is no plant yet.
        TracelogError: a column without which no row is complete is not chosen.
    """
    file = file_named(mapping.file)
    made, columns = made_rows(session, book, mapping, fixes)
    missing = [name for name in file.needed_columns if name not in columns]
    if missing:
        raise TracelogError(
            _(
                "needs a column for: %(columns)s; choose one, or a fixed text",
                columns=", ".join(missing),
            )
        )
    rows, left_out = [row for row in made if not row.left_out], sum(row.left_out for row in made)
    sheet = _SheetRows(
        columns,
        [CsvRow(row.row, filled_cells(row.cells, columns), tuple(row.faults)) for row in rows],
    )
    importing = Importing(session, Path(), actor, now)
    importing.zone = the_plant(session).zone
    importing.has_plant = True
    before = Standing.of(session)
    RowImport(importing, file, sheet).import_all()
    derive_again(session, before, now)
    return _found(importing, rows, left_out, columns)


def made_rows(
    session: Session, book: Book, mapping: SheetMapping, fixes: Fixes
) -> tuple[list[Made], list[str]]:
    """The rows in our columns with what somebody put right, and the columns that are chosen."""
    sheet = book.sheet(mapping.sheet)
    columns = columns_of(file_named(mapping.file), session)
    converter = Converter(
        mapping,
        header_of(sheet, mapping.header_first, mapping.header_last),
        columns,
        since_1904=book.since_1904,
    )
    made = [
        _fixed(row, fixes[row.row]) if row.row in fixes else row
        for row in converter.rows(body_of(sheet, mapping.header_last))
    ]
    return made, _chosen(file_named(mapping.file), converter.columns, fixes)


def _chosen(file: PlantFile, columns: Sequence[str], fixes: Fixes) -> list[str]:
    """Chosen columns, and those that only a row put right fills, in the order of the file."""
    fixed = {name for cells in fixes.values() if cells for name, text in cells.items() if text}
    return [name for name in file.columns if name in columns or name in fixed]


def _fixed(row: Made, cells: Mapping[str, str] | None) -> Made:
    if cells is None:
        return Made(row.row, row.cells, left_out=True)
    faults = [fault for fault in row.faults if fault.field not in cells]
    return Made(row.row, {**row.cells, **cells}, faults, left_out=False)


def _found(importing: Importing, rows: Sequence[Made], left_out: int, columns: list[str]) -> Found:
    faults: dict[int, list[Fault]] = {}
    for fault in importing.report.faults:
        faults.setdefault(fault.line, []).append(Fault(fault.column, fault.sentence))
    became: Counter[Became] = importing.report.files[0].became
    told = [
        BadRow(
            row.row,
            row.cells,
            [(fault.field, fault.sentence) for fault in faults.get(row.row, [])],
        )
        for row in rows
    ]
    return Found(
        len(rows) + left_out,
        left_out,
        {word.value: count for word, count in became.items()},
        told[:SHOWN_ROWS],
        [one for one in told if one.faults],
        columns,
    )
