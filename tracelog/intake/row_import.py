"""Importing the rows of one CSV file."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from itertools import islice
from typing import Protocol, TypeAlias

from sqlalchemy.exc import DBAPIError

from tracelog.errors import BadFact, Fault
from tracelog.facts import Fact
from tracelog.intake.csv_rows import CsvRow
from tracelog.intake.files import PLANT_FILE, Cells, PlantFile, Reference
from tracelog.intake.importing import Importing
from tracelog.intake.rejected import RejectedRows
from tracelog.intake.report import FileReport
from tracelog.language import _
from tracelog.outcomes import Became, Outcome

_EVERYTHING = 10**9
# A row that is not kept, and why.
Bad: TypeAlias = tuple[CsvRow, tuple[Fault, ...] | Outcome]


class Rows(Protocol):
    """Rows on their way in, whatever they were read from: the names of their columns, the rows
    with the lines on which they start, and how far the file was read."""

    header: list[str]
    bytes_read: int

    def rows(self) -> Iterator[CsvRow]:
        """The rows, in order."""
        ...


class RowImport:
    """The rows of one file on their way into the database."""

    def __init__(self, importing: Importing, file: PlantFile, rows: Rows) -> None:
        self._importing = importing
        self._file = file
        self._rows = rows
        self._report = FileReport(file.name)
        self._rejected = RejectedRows(importing.folder / file.name, rows.header)
        self._told = 0
        # For each file that cannot be read: the first row that depends on it, and how many do.
        self._stranded: dict[str, list[int]] = {}
        importing.report.files.append(self._report)
        if importing.wants_rejected:
            importing.rejected.append(self._rejected)

    def import_all(self) -> None:
        """Hand the rows to their action, and report those that are refused."""
        known = self._importing.known_pieces(self._file.name)
        for number, take in enumerate(self._pieces()):
            if number < len(known):
                self._report.became[Became.UNCHANGED] += known[number]
                self._told = self._rows.bytes_read
            else:
                take()
                self._tell_progress()
        self._tell_stranded()

    def unchanged_pieces(self) -> tuple[int, ...]:
        """Rows of each piece from the first on, until one holds anything that is not there yet.

        For a session on which nothing can be written.
        """
        found: list[int] = []
        for take in self._pieces():
            try:
                take()
            except DBAPIError:
                # It would have been written. If there is another reason, the import will meet it.
                self._importing.session.rollback()
                break
            rows = self._report.became.total()
            if self._report.became[Became.UNCHANGED] < rows:
                break
            found.append(rows - sum(found))
            self._tell_progress()
        return tuple(found)

    def _pieces(self) -> Iterator[Callable[[], None]]:
        """What takes each piece of the rows, in order."""
        rows = self._rows.rows()
        while piece := list(islice(rows, self._file.rows_at_once or _EVERYTHING)):
            yield partial(self._import_piece, piece)

    def _tell_progress(self) -> None:
        self._importing.progress(self._file.name, self._rows.bytes_read - self._told)
        self._told = self._rows.bytes_read

    def _tell_stranded(self) -> None:
        """Tell once for each file on which rows depend that it cannot be read."""
        for file, lines in self._stranded.items():
            sentence = _(
                "%(rows)d rows from here on depend on %(file)s, which cannot be taken as it is;"
                " mend it first",
                rows=len(lines),
                file=file,
            )
            self._importing.report.tell(self._file.name, lines[0], [Fault("", sentence)])

    def _import_piece(self, piece: Sequence[CsvRow]) -> None:
        good: list[CsvRow] = []
        facts: list[Fact] = []
        bad: list[Bad] = []
        for row, fact in self._facts(piece):
            if isinstance(fact, Fact):
                good.append(row)
                facts.append(fact)
            else:
                bad.append((row, fact))
        if self._importing.has_plant:
            outcomes = self._file.record(
                self._importing.session, facts, self._importing.actor, self._importing.now
            )
            kept = [outcome.became for outcome in outcomes if outcome.is_kept]
            self._report.became.update(kept)
            if len(kept) < len(good):
                judged = zip(good, outcomes, strict=True)
                bad += [(row, outcome) for row, outcome in judged if not outcome.is_kept]
        else:
            self._strand_all(good)
        self._refuse_all(bad)

    def _strand_all(self, rows: Iterable[CsvRow]) -> None:
        """Without a plant no row can be kept."""
        for row in rows:
            self._strand(row, PLANT_FILE)

    def _refuse_all(self, bad: Iterable[Bad]) -> None:
        """Refuse rows in the order of the file."""
        for row, found in sorted(bad, key=lambda one: one[0].line):
            if isinstance(found, Outcome):
                self._refuse_dependent(row, found)
            else:
                self._refuse(row, found)

    def _facts(self, piece: Sequence[CsvRow]) -> Iterator[tuple[CsvRow, Fact | tuple[Fault, ...]]]:
        read, zone, header = self._file.fact.read, self._importing.zone, self._rows.header
        for row in piece:
            if row.faults:
                yield row, row.faults
                continue
            try:
                yield row, read(dict(zip(header, row.cells, strict=True)), zone)
            except BadFact as problem:
                yield row, problem.faults

    def _refuse_dependent(self, row: CsvRow, outcome: Outcome) -> None:
        """Refuse a row; if what it names was itself refused, say so."""
        told_at = {fault.field for fault in outcome.faults}
        cells = self._cells(row)
        for reference in self._file.references:
            column = next((name for name in reference.columns if name in told_at), None)
            if column is None:
                continue
            if reference.file in self._importing.unreadable:
                self._strand(row, reference.file)
                return
            line = self._importing.refused_keys.get(reference.file, {}).get(reference.key(cells))
            if line is not None:
                self._refuse(row, (*_others(outcome, column), _depends(reference, column, line)))
                return
        self._refuse(row, outcome.faults)

    def _refuse(self, row: CsvRow, faults: tuple[Fault, ...]) -> None:
        self._count_refused(row, faults)
        self._importing.report.tell(self._file.name, row.line, faults)

    def _strand(self, row: CsvRow, file: str) -> None:
        self._stranded.setdefault(file, []).append(row.line)
        sentence = _("depends on %(file)s, which cannot be taken as it is", file=file)
        self._count_refused(row, (Fault("", sentence),))

    def _count_refused(self, row: CsvRow, faults: tuple[Fault, ...]) -> None:
        self._report.became[Became.REFUSED] += 1
        if self._file.key is not None:
            keys = self._importing.refused_keys.setdefault(self._file.name, {})
            keys.setdefault(self._file.key(self._cells(row)), row.line)
        if self._importing.wants_rejected:
            self._rejected.add(row.cells, faults)

    def _cells(self, row: CsvRow) -> Cells:
        return dict(zip(self._rows.header, row.cells, strict=False))


def _others(outcome: Outcome, column: str) -> tuple[Fault, ...]:
    return tuple(fault for fault in outcome.faults if fault.field != column)


def _depends(reference: Reference, column: str, line: int) -> Fault:
    return Fault(
        column,
        _(
            "depends on %(file)s:%(line)d, which is refused; mend that row first",
            file=reference.file,
            line=line,
        ),
    )
