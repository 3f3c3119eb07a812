"""Rows that could not be kept, written beside the input with the reason."""

import csv
import os
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from tracelog.errors import Fault, TracelogError
from tracelog.language import _
from tracelog.web.sheets import harmless

SUFFIX = ".rejected.csv"
# A sign before it makes no formula of it.
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")


def _cell(text: str) -> str:
    return text if _NUMBER.fullmatch(text) else harmless(text)


class RejectedRows:
    """The rejected rows of one file; nothing appears under the final name before `keep`.

    A row that could not be cut into cells stands in the first column as it was; cells beyond the
    header's go into the last column, where the reason is.
    """

    def __init__(self, source: Path, header: Sequence[str]) -> None:
        self.path = source.with_name(source.stem + SUFFIX)
        self._half = self.path.with_name(f".{self.path.name}.{os.getpid()}.half")
        self._header = list(header)
        self._file: IO[str] | None = None
        self._writer: Any = None

    def add(self, cells: Sequence[str], faults: Sequence[Fault]) -> None:
        """Write one row with what is wrong with it.

        Raises:
            TracelogError: it cannot be written.
        """
        with self._told():
            self._write(cells, faults)

    def _write(self, cells: Sequence[str], faults: Sequence[Fault]) -> None:
        if self._file is None:
            # What is not UTF-8 goes back as the bytes it was.
            self._file = self._half.open(
                "w", encoding="utf-8", errors="surrogateescape", newline=""
            )
            self._writer = csv.writer(self._file, lineterminator="\n")
            self._writer.writerow([*self._header, "reason"])
        width = len(self._header)
        padded = [*cells[:width], *[""] * (width - len(cells))]
        reason = "; ".join(str(fault) for fault in faults)
        if len(cells) > width:
            reason += " | " + ",".join(cells[width:])
        self._writer.writerow([*map(_cell, padded), harmless(reason)])

    def finish(self) -> None:
        """Have everything on the disk before the good rows are kept.

        Raises:
            TracelogError: it cannot be written.
        """
        if self._file is not None:
            with self._told():
                self._file.flush()
                os.fsync(self._file.fileno())

    def keep(self) -> Path | None:
        """Put the file under its name; None if no row was rejected.

        Raises:
            TracelogError: it cannot be written.
        """
        if self._file is None:
            return None
        with self._told():
            self._file.close()
            self._half.replace(self.path)
        self._file = None
        return self.path

    def discard(self) -> None:
        """Leave no trace of what was not kept."""
        if self._file is not None:
            self._file.close()
            self._half.unlink(missing_ok=True)
            self._file = None

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except OSError as problem:
            raise TracelogError(
                _(
                    "the rejected rows cannot be written to %(path)s: %(why)s",
                    path=self.path,
                    why=problem.strerror,
                )
            ) from problem
