"""Reading a CSV file strictly (RFC 4180, UTF-8) and saying where in it something is wrong."""

import csv
import re
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from types import TracebackType
from typing import IO, NamedTuple, Self

from tracelog.errors import Fault
from tracelog.language import _
from tracelog.web.sheets import as_it_was

# A row that means something is far shorter; this bounds what a hostile file can make us hold.
LONGEST_LINE_BYTES = 1_000_000
_MOST_FAULTS_OF_HEADER = 20
_LONGEST_PLAIN_LINE = 500
_BOM = b"\xef\xbb\xbf"
# One record: cells quoted as a whole, with doubled quotes inside, or without any quote.
_CELL = r'(?:"(?:[^"]|"")*+"|[^",\r\n]*+)'
_RECORD = re.compile(rf"{_CELL}(?:,{_CELL})*+(?:\r?\n)?")


class CsvRow(NamedTuple):
    """One row: the line of the file on which it starts, its cells, and what is wrong with it.

    A row that cannot be cut into cells has its raw text as its only cell.
    """

    line: int
    cells: list[str]
    faults: tuple[Fault, ...] = ()


class CsvFile:
    """A CSV file that is open for reading; use it as a context manager.

    Attributes:
        header: names of the columns, empty if there is no header.
        bytes_read: how far it was read.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._line = 0
        self._taken: list[str] = []
        self._has_quote = False
        self._bad_lines: dict[int, str] = {}
        self.bytes_read = 0
        self.header: list[str] = []

    def __enter__(self) -> Self:
        self._file: IO[bytes] = self._path.open("rb")
        self._reader = csv.reader(self._lines(), strict=True)
        self._first = next(self._records(), None)
        if self._first is not None:
            self.header = [name.strip() for name in self._first.cells]
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()

    def header_faults(self, known: tuple[str, ...], needed: tuple[str, ...]) -> list[Fault]:
        """What is wrong with the header.

        Args:
            known: columns that the file may have, in any order.
            needed: those that it must have.
        """
        if self._first is None:
            return [
                Fault(
                    "",
                    _(
                        "is empty; the first line names the columns, such as %(known)s",
                        known=",".join(known),
                    ),
                )
            ]
        if self._first.faults:
            return list(self._first.faults)
        faults: list[Fault] = []
        for place, name in enumerate(self.header):
            if name not in known:
                sentence = _(
                    "is not a column of this file; columns are %(known)s", known=", ".join(known)
                )
                faults.append(Fault(name[:80], sentence))
            elif name in self.header[:place]:
                faults.append(Fault(name, _("is named twice; name each column once")))
        if len(faults) > _MOST_FAULTS_OF_HEADER:
            more = len(faults) - _MOST_FAULTS_OF_HEADER
            faults[_MOST_FAULTS_OF_HEADER:] = [
                Fault("", _("has %(more)d more columns that do not belong here", more=more))
            ]
        faults += [
            Fault(name, _("is missing in the header; every row needs it"))
            for name in needed
            if name not in self.header
        ]
        return faults

    def rows(self) -> Iterator[CsvRow]:
        """The rows after the header, in order; lines without anything on them are left out."""
        for row in self._records():
            yield row if row.faults else self.as_row(row.line, row.cells)

    def as_row(self, line: int, cells: list[str]) -> CsvRow:
        """A row of those cells, with its fault if they are not as many as the header names."""
        is_right = len(cells) == len(self.header)
        return CsvRow(line, cells, () if is_right else (self._wrong_width(cells),))

    def plain_lines(self, most: int) -> tuple[int, bytes]:
        """The next whole lines, if each is a row as it stands: no quote, nothing but ASCII.

        Args:
            most: how many lines at most.

        Returns:
            The number of the first line, and the lines, each with LF at its end. Nothing at the
            end of the file, and where a line needs a closer look: `rows` goes on there.
        """
        place = self._file.tell()
        lines = list(islice(self._file, most))
        text = b"".join(lines)
        # Files from Windows end lines with CRLF.
        plain = text.replace(b"\r\n", b"\n") if b"\r" in text else text
        is_plain = plain.isascii() and not any(sign in plain for sign in (b'"', b"\r", b"\0"))
        if not is_plain or max(map(len, lines), default=0) > _LONGEST_PLAIN_LINE:
            self._file.seek(place)
            return self._line + 1, b""
        first = self._line + 1
        self._line += len(lines)
        self.bytes_read += len(text)
        return first, plain if plain.endswith(b"\n") or not plain else plain + b"\n"

    def _wrong_width(self, cells: list[str]) -> Fault:
        return Fault(
            "",
            _(
                "has %(found)d cells, but the header names %(width)d columns;"
                " quote cells that hold a comma",
                found=len(cells),
                width=len(self.header),
            ),
        )

    def _records(self) -> Iterator[CsvRow]:
        while True:
            start = self._line + 1
            self._taken.clear()
            self._has_quote = False
            try:
                cells = next(self._reader)
            except StopIteration:
                return
            except csv.Error as problem:
                self._bad_lines.clear()
                raw = "".join(self._taken).rstrip("\r\n")
                yield CsvRow(start, [raw], (Fault("", _told(str(problem))),))
                continue
            if self._bad_lines:
                faults = tuple(Fault("", sentence) for sentence in self._bad_lines.values())
                self._bad_lines.clear()
                yield CsvRow(start, cells, faults[:1])
            elif cells:
                faults = self._misplaced_quote() if self._has_quote else ()
                yield CsvRow(start, [as_it_was(one) for one in cells], faults)

    def _misplaced_quote(self) -> tuple[Fault, ...]:
        # The csv module takes a quote inside a cell that does not start with one; RFC 4180 does
        # not, and most often it is a slip that has swallowed a comma.
        if not _RECORD.fullmatch("".join(self._taken)):
            sentence = _(
                "has a quote inside a cell that does not start with one;"
                ' quote the whole cell and double the quote: "3"" wide"'
            )
            return (Fault("", sentence),)
        return ()

    def _lines(self) -> Iterator[str]:
        while line := self._file.readline(LONGEST_LINE_BYTES):
            self.bytes_read += len(line)
            self._line += 1
            if self._line == 1:
                line = line.removeprefix(_BOM)
            if len(line) >= LONGEST_LINE_BYTES - len(_BOM) and not line.endswith(b"\n"):
                self._skip_line()
                self._bad_lines[self._line] = _(
                    "is longer than %(most)d bytes; no row of this file is",
                    most=LONGEST_LINE_BYTES,
                )
                # Ends a cell or a row that is open, and holds nothing of the line itself.
                line = line[:40].replace(b'"', b"") + b"\n"
            if b'"' in line:
                self._has_quote = True
            if b"\0" in line:
                self._bad_lines[self._line] = _("holds a NUL byte; save the file as plain text")
            try:
                text = line.decode("utf-8")
            except UnicodeDecodeError as problem:
                self._bad_lines[self._line] = _(
                    "is not UTF-8 (byte 0x%(byte)02x); save the file as UTF-8",
                    byte=problem.object[problem.start],
                )
                text = line.decode("utf-8", "surrogateescape")
            self._taken.append(text)
            yield text

    def _skip_line(self) -> None:
        while part := self._file.readline(LONGEST_LINE_BYTES):
            self.bytes_read += len(part)
            if part.endswith(b"\n"):
                return


def _told(problem: str) -> str:
    """What the csv module found, as a sentence that says what would be right."""
    if "unexpected end" in problem:
        return _("has a quote that is never closed; end the cell with another quote")
    if "expected after" in problem:
        return _("has text after a closing quote; double a quote that is part of the cell")
    if "new-line" in problem:
        return _("has a carriage return in a cell without quotes; end lines with LF or CRLF")
    if "field limit" in problem:
        return _("has a cell of over %(most)d characters", most=csv.field_size_limit())
    return _("is not CSV: %(problem)s", problem=problem)
