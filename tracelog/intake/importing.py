"""What one import of a plant folder knows while it runs."""

import gc
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.intake.rejected import RejectedRows
from tracelog.intake.report import ImportReport


def no_progress(_file: str, _bytes: int) -> None:
    """Tells nobody."""


@contextmanager
def no_search_for_cycles() -> Iterator[None]:
    """Rows and facts hold no cycles, and to look for some among so many takes a third of the time.

    Memory is given back as before; only the search is put off.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@dataclass(frozen=True)
class KnownPieces:
    """Pieces of a file, from the first on, all rows of which were there already: rows of each.

    `stamp`: of the file when it was looked through.
    """

    stamp: tuple[int, int]
    rows: tuple[int, ...]


def stamp_of(path: Path) -> tuple[int, int]:
    """Length and time of the last change of a file: another one means another content.

    Raises:
        OSError: it cannot be seen.
    """
    seen = path.stat()
    return seen.st_size, seen.st_mtime_ns


@dataclass
class Importing:
    """One import of one folder.

    Attributes:
        session: an open session that writes.
        folder: the plant folder.
        actor: who imports.
        now: UTC.
        wants_rejected: whether refused rows are to be written beside the input.
        progress: told the file and how many more bytes of it were read.
        zone: of the plant, for instants without an offset.
        has_plant: whether the database holds a plant, so that rows can be kept.
        refused_keys: for each file, keys of refused rows and the line of each.
        unreadable: files of which no row could be kept.
        report: what was done, and what is wrong.
        rejected: the refused rows of each file; not yet under their names.
        known: what of each file was there already when the folder was looked through.
    """

    session: Session
    folder: Path
    actor: Actor
    now: datetime
    wants_rejected: bool = False
    progress: Callable[[str, int], None] = no_progress
    zone: ZoneInfo = field(default_factory=lambda: ZoneInfo("UTC"))
    has_plant: bool = False
    refused_keys: dict[str, dict[str, int]] = field(default_factory=dict)
    unreadable: set[str] = field(default_factory=set)
    report: ImportReport = field(default_factory=ImportReport)
    rejected: list[RejectedRows] = field(default_factory=list)
    known: Mapping[str, KnownPieces] = field(default_factory=dict)

    def known_pieces(self, name: str) -> tuple[int, ...]:
        """Rows of the first pieces of a file that need only be counted.

        Raises:
            OSError: the file cannot be seen.
        """
        known = self.known.get(name)
        if known is None or stamp_of(self.folder / name) != known.stamp:
            return ()
        return known.rows
