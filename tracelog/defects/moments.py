"""Entries one by one with the instant at which they count: for telling what ran at that instant."""

import uuid
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.defects.models import CurrentEntry
from tracelog.defects.selecting import (
    Choice,
    EntryFilter,
    EntryKind,
    rows_as_of,
    surroundings,
    unaltered,
)

_NAMES = (
    *("occurred_at", "line_id", "machine_id", "defect_id", "found_at", "coil"),
    *("counted_occurrences", "cans", "inspected"),
)


@dataclass(frozen=True)
class CountedEntry:
    """What an entry counts, of what, and when; None: not known.

    `inspected` is the sample's size, None for what was found in running production.
    """

    occurred_at: datetime
    line_id: uuid.UUID | None
    machine_id: uuid.UUID | None
    defect: str
    found_at: str | None
    coil: str | None
    counted_occurrences: int
    cans: int
    inspected: int | None


def counted_entries(session: Session, asked: EntryFilter, kind: EntryKind) -> list[CountedEntry]:
    """Entries of running production, or samples, in no order.

    Args:
        session: an open session.
        asked: which entries.
        kind: production or samples; the two are not to be added up.

    Returns:
        Five statements; two more with an `as_of`.
    """
    chosen = replace(asked, kind=kind)
    around = surroundings(session, chosen.as_of)
    choice = Choice.of(chosen, around)
    columns = [getattr(CurrentEntry, name) for name in _NAMES]
    where = [*choice.conditions(), *unaltered(chosen.as_of)]
    kept = [tuple(row) for row in session.execute(select(*columns).where(*where))]
    anew = [tuple(stood[name] for name in _NAMES) for stood in rows_as_of(session, choice, around)]
    return [_entry(around.by_id[row[3]].defect, row) for row in (*kept, *anew)]


def _entry(defect: str, row: tuple[Any, ...]) -> CountedEntry:
    occurred_at, line_id, machine_id, _defect_id, *said = row
    return CountedEntry(occurred_at, line_id, machine_id, defect, *said)
