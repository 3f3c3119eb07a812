"""Reads of the log: entries and their history, the vocabulary, what was logged lately, counts.

No query asks once per row; each function says how many statements it sends.
"""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, select, tuple_
from sqlalchemy.orm import Session

from tracelog.defects.checking import (
    CORRECTION_COLUMNS,
    ENTRY_COLUMNS,
    ENTRY_NAMES,
    as_fact_values,
    correction_of,
    current_row,
)
from tracelog.defects.counts import (
    By,
    Group,
    ProductionCount,
    SampleCount,
    production_counts,
    sample_counts,
)
from tracelog.defects.models import CurrentEntry, Entry, EntryCorrection
from tracelog.defects.occurrences import Occurrences, occurrences
from tracelog.defects.rules import Use, in_order, latest_first, standing
from tracelog.defects.selecting import (
    ROW_COLUMNS,
    Choice,
    DefectView,
    EntryFilter,
    EntryKind,
    Row,
    Surroundings,
    chosen_rows,
    rows_as_of,
    surroundings,
    unaltered,
    vocabulary,
)
from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.paging import read_place, write_place
from tracelog.plant.queries import MachineView

__all__ = [
    "By",
    "DefectView",
    "EntryFilter",
    "EntryKind",
    "EntryPage",
    "EntryRecord",
    "EntryView",
    "Group",
    "Occurrences",
    "ProductionCount",
    "SampleCount",
    "entries",
    "entry",
    "entry_view",
    "first_and_last",
    "last_entries",
    "occurrences",
    "production_counts",
    "recent_defects",
    "sample_counts",
    "unsettled",
    "vocabulary",
]

MOST_ENTRIES = 10_000
# What was logged in the days before decides in which order defects are offered.
LATELY = timedelta(days=14)
_MOST_USES = 2_000


@dataclass(frozen=True)
class EntryView:
    """One entry as it stands.

    Attributes:
        dome_code: as read.
        candidates: machines whose cans can bear it; `machine` is set when there is just one.
        line: line number, None while nobody knows.
        occurred_at: when the can was made if that is known, else when it was seen.
        defect: its code; `defect_title` is what people call it.
        occurrences: as reported; `counted_occurrences` is what statistics count.
        inspected: cans in the sample; None: found in running production.
        tablet_clock_error_s: how far the clock of the tablet that it was logged on was ahead.
        corrections: how many there were.
    """

    id: uuid.UUID
    seen_at: datetime
    made_at: datetime | None
    occurred_at: datetime
    dome_code: str | None
    machine: MachineView | None
    candidates: tuple[MachineView, ...]
    line: int | None
    defect: str
    defect_title: str
    severity: str | None
    cans: int
    occurrences: int | None
    counted_occurrences: int
    inspected: int | None
    found_at: str | None
    coil: str | None
    pallet: str | None
    mark: str | None
    note: str | None
    logged_by: str | None
    logged_at: datetime
    tablet_clock_error_s: float | None
    corrections: int

    @property
    def tablet_clock_error(self) -> timedelta | None:
        """How far the tablet's clock was ahead, as a length of time; below zero: behind."""
        error_s = self.tablet_clock_error_s
        return None if error_s is None else timedelta(seconds=error_s)

    @property
    def machine_id(self) -> uuid.UUID | None:
        """Id of the machine, None while it is not settled."""
        return self.machine.id if self.machine else None


@dataclass(frozen=True)
class EntryPage:
    """Some entries, and where the next ones start (None: there are no more)."""

    rows: tuple[EntryView, ...]
    next_after: str | None


@dataclass(frozen=True)
class FieldChange:
    """One field that a correction changed: text of the file format, empty where not known."""

    field: str
    before: str
    after: str


@dataclass(frozen=True)
class CorrectionView:
    """One correction: who, when, why, and what it changed.

    `withdrawn` says whether the entry counts nowhere from then on.
    """

    id: uuid.UUID
    corrected_at: datetime
    corrected_by: str
    reason: str
    withdrawn: bool
    changes: tuple[FieldChange, ...]


@dataclass(frozen=True)
class EntryRecord:
    """An entry with its history: as logged, each correction, and as it stands.

    `now` says what the entry says also when it is withdrawn.
    """

    original: EntryView
    corrections: tuple[CorrectionView, ...]
    now: EntryView
    is_withdrawn: bool


def entries(
    session: Session, asked: EntryFilter, limit: int = 100, after: str | None = None
) -> EntryPage:
    """Entries, the latest first, by when they count and then by id.

    Five statements; two more with an `as_of`.

    Args:
        session: an open session.
        asked: which entries. Withdrawn ones are never among them.
        limit: how many at most (1 to 10,000).
        after: `next_after` of the page before; entries logged meanwhile do not shift the pages.

    Raises:
        TracelogError: `after` is not from a page before; at the field ``after``.
    """
    limit = max(1, min(limit, MOST_ENTRIES))
    place = read_place(after) if after else None
    around = surroundings(session, asked.as_of)
    choice = Choice.of(asked, around)
    where = [*choice.conditions(), *unaltered(asked.as_of)]
    key = tuple_(CurrentEntry.occurred_at, CurrentEntry.entry_id)
    if place is not None:
        where.append(key < place)
    kept = chosen_rows(
        session,
        select(*ROW_COLUMNS)
        .where(*where)
        .order_by(CurrentEntry.occurred_at.desc(), CurrentEntry.entry_id.desc())
        .limit(limit + 1),
    )
    anew = (
        row for row in rows_as_of(session, choice, around) if place is None or _key(row) < place
    )
    found = sorted((*kept, *anew), key=_key, reverse=True)
    rows = tuple(entry_view(row, around) for row in found[:limit])
    return EntryPage(rows, write_place(*_key(found[limit - 1])) if len(found) > limit else None)


def _key(row: Row) -> tuple[datetime, uuid.UUID]:
    return row["occurred_at"], row["entry_id"]


def entry_view(row: Row, around: Surroundings) -> EntryView:
    """A row of `ROW_COLUMNS` as pages and answers show it."""
    settled = around.settler.settle(row["dome_code"], row["occurred_at"])
    defect = around.by_id[row["defect_id"]]
    said = {name: row[name] for name in _SHOWN}
    return EntryView(
        id=row["entry_id"],
        machine=around.directory.by_id.get(row["machine_id"]),
        candidates=settled.candidates,
        line=around.directory.line_numbers.get(row["line_id"]),
        defect=defect.defect,
        defect_title=defect.title,
        severity=defect.severity,
        **said,
    )


_SHOWN = (
    *("seen_at", "made_at", "occurred_at", "dome_code", "cans", "occurrences"),
    *("counted_occurrences", "inspected", "found_at", "coil", "pallet", "mark", "note"),
    *("logged_by", "logged_at", "tablet_clock_error_s", "corrections"),
)


def unsettled(
    session: Session,
    asked: EntryFilter | None = None,
    limit: int = 100,
    after: str | None = None,
) -> EntryPage:
    """Entries whose machine nobody knows yet, with the candidates; the latest first.

    Arguments and number of statements as `entries`.
    """
    return entries(session, replace(asked or EntryFilter(), is_settled=False), limit, after)


def last_entries(session: Session, most: int, line: int | None = None) -> list[EntryView]:
    """The entries logged last, the latest first. Five statements.

    Args:
        session: an open session.
        most: how many at most.
        line: only of this line.
    """
    around = surroundings(session, None)
    choice = Choice.of(EntryFilter(line=line), around)
    rows = chosen_rows(
        session,
        select(*ROW_COLUMNS)
        .where(*choice.conditions())
        .order_by(CurrentEntry.logged_at.desc(), CurrentEntry.entry_id.desc())
        .limit(most),
    )
    return [entry_view(row, around) for row in rows]


def entry(session: Session, entry_id: uuid.UUID) -> EntryRecord:
    """One entry with its history. Six statements.

    Raises:
        NotFound: there is no such entry.
    """
    row = session.execute(select(*ENTRY_COLUMNS).where(Entry.id == entry_id)).first()
    if row is None:
        raise NotFound(_("there is no entry with the id %(id)s", id=entry_id))
    around = surroundings(session, None)
    made = session.execute(
        select(*CORRECTION_COLUMNS).where(EntryCorrection.entry_id == entry_id)
    ).all()
    logged = dict(zip(ENTRY_NAMES, row, strict=True))
    by_id = {one.id: one for one in made}
    ordered = in_order(correction_of(one, around.ids) for one in made)
    history = []
    for count, correction in enumerate(ordered):
        before = as_fact_values(standing(logged, ordered[:count]).values, around.ids)
        after = as_fact_values(standing(logged, ordered[: count + 1]).values, around.ids)
        told = by_id[correction.id]
        history.append(
            CorrectionView(
                told.id,
                told.corrected_at,
                told.corrected_by,
                told.reason,
                told.withdrawn,
                tuple(
                    FieldChange(name, before[name], after[name])
                    for name in before
                    if before[name] != after[name]
                ),
            )
        )
    now = standing(logged, ordered)
    return EntryRecord(
        _as_view(logged, 0, around),
        tuple(history),
        _as_view(now.values, now.corrections, around),
        now.withdrawn,
    )


def _as_view(values: Mapping[str, Any], corrections: int, around: Surroundings) -> EntryView:
    row = current_row(values, (), around.settler)
    assert row is not None  # noqa: S101  # without corrections nothing is withdrawn
    return entry_view(row | {"corrections": corrections}, around)


def recent_defects(session: Session, line: int | None, now: datetime) -> list[DefectView]:
    """All kinds of defect, those first that were logged lately (`rules.recency_weights`).

    The last 14 days count, of one line or of the whole plant. Five statements.
    """
    around = surroundings(session, None)
    choice = Choice.of(EntryFilter(line=line, start=now - LATELY), around)
    rows = session.execute(
        select(CurrentEntry.defect_id, CurrentEntry.logged_at)
        .where(*choice.conditions(), CurrentEntry.logged_at <= now)
        .order_by(CurrentEntry.occurred_at.desc(), CurrentEntry.entry_id.desc())
        .limit(_MOST_USES)
    )
    uses = [Use(around.by_id[row.defect_id].defect, row.logged_at) for row in rows]
    by_code = {one.defect: one for one in around.defects}
    return [by_code[defect] for defect in latest_first(list(by_code), uses, now)]


def first_and_last(session: Session) -> tuple[datetime, datetime] | None:
    """When the first and the last entry on record count, UTC; None without any. One statement."""
    # Each by itself, so that both are look-ups in the index.
    first = select(func.min(CurrentEntry.occurred_at)).scalar_subquery()
    last = select(func.max(CurrentEntry.occurred_at)).scalar_subquery()
    found = session.execute(select(first, last)).one()
    ends = [moment for moment in found if moment is not None]
    return (ends[0], ends[1]) if ends else None
