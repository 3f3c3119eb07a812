"""Importing readings.csv: as columns as far as its lines are plain, else row by row."""

from collections.abc import Callable, Iterator
from functools import partial
from itertools import islice

import numpy as np

from tracelog.errors import BadFact, Fault
from tracelog.intake.csv_rows import CsvFile, CsvRow
from tracelog.intake.files import PlantFile
from tracelog.intake.importing import Importing
from tracelog.intake.reading_lines import PlainReadings, plain_readings
from tracelog.intake.row_import import Bad, RowImport
from tracelog.outcomes import Became
from tracelog.strokes.column_actions import record_reading_columns
from tracelog.strokes.facts import ReadingFact
from tracelog.strokes.reading_columns import ReadingColumns
from tracelog.strokes.rules import Whole


def import_of(importing: Importing, file: PlantFile, rows: CsvFile) -> RowImport:
    """The rows of a file on their way into the database, the quickest way there is."""
    way = ReadingImport if file.fact is ReadingFact else RowImport
    return way(importing, file, rows)


class ReadingImport(RowImport):
    """The readings of a file on their way into the database: millions, most of them plain."""

    def __init__(self, importing: Importing, file: PlantFile, rows: CsvFile) -> None:
        super().__init__(importing, file, rows)
        self._lines = rows

    def _pieces(self) -> Iterator[Callable[[], None]]:
        """Blocks of plain lines as columns, and other blocks as rows."""
        most = self._file.rows_at_once or 0
        rows = self._lines.rows()
        is_whole = set(self._rows.header) == set(self._file.columns)
        while True:
            line, block = self._lines.plain_lines(most) if is_whole else (0, b"")
            if block:
                yield partial(self._import_block, line, block)
            elif piece := list(islice(rows, most)):
                yield partial(self._import_piece, piece)
            else:
                return

    def _import_block(self, first: int, block: bytes) -> None:
        found = plain_readings(block, self._rows.header)
        columns, lines, bad = self._completed(found, first, block)
        if self._importing.has_plant:
            outcomes = record_reading_columns(
                self._importing.session, columns, self._importing.actor, self._importing.now
            )
            kept = {Became.CREATED: outcomes.created, Became.UNCHANGED: outcomes.unchanged}
            self._report.became.update({one: count for one, count in kept.items() if count})
            for place, outcome in outcomes.refused.items():
                bad.append((self._row(found, first, block, int(lines[place])), outcome))
        else:
            self._strand_all(self._row(found, first, block, int(one)) for one in lines)
        self._refuse_all(bad)

    def _completed(
        self, found: PlainReadings, first: int, block: bytes
    ) -> tuple[ReadingColumns, Whole, list[Bad]]:
        """Columns of all lines that are right, their places, and the rows that are not."""
        bad: list[Bad] = []
        facts: dict[int, ReadingFact] = {}
        for place in np.flatnonzero(~found.is_plain).tolist():
            if found.starts[place] == found.ends[place]:
                continue  # nothing on the line
            row = self._row(found, first, block, place)
            fact = row.faults or self._read(row)
            if isinstance(fact, ReadingFact):
                facts[place] = fact
            else:
                bad.append((row, fact))
        is_right = found.is_plain.copy()
        if facts:
            places = list(facts)
            others = ReadingColumns.of(list(facts.values()))
            found.columns.put(places, others)
            is_right[places] = True
        lines = np.flatnonzero(is_right)
        return found.columns.at(lines), lines, bad

    def _read(self, row: CsvRow) -> ReadingFact | tuple[Fault, ...]:
        try:
            cells = dict(zip(self._rows.header, row.cells, strict=True))
            return ReadingFact.read(cells, self._importing.zone)
        except BadFact as problem:
            return problem.faults

    def _row(self, found: PlainReadings, first: int, block: bytes, place: int) -> CsvRow:
        text = block[found.starts[place] : found.ends[place]].decode("ascii")
        return self._lines.as_row(first + place, text.split(","))
