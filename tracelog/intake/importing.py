"""What one import of a plant folder knows while it runs."""

from collections.abc import Callable
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
