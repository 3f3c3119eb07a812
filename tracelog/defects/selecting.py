"""Which entries are meant, and how they stood at an instant: for the reads of the log.

The same filter is asked of the table and, where `as_of` makes rows be worked out anew, of those.
"""

import uuid
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import cache
from typing import Any

from sqlalchemy import ColumnElement, Select, bindparam, func, select, union
from sqlalchemy.orm import Session

from tracelog import reference
from tracelog.db import UtcInstant, read_once
from tracelog.defects.checking import (
    CORRECTION_COLUMNS,
    ENTRY_COLUMNS,
    ENTRY_NAMES,
    SAID,
    Vocabulary,
    correction_of,
    current_row,
)
from tracelog.defects.models import CurrentEntry, DefectType, Entry, EntryCorrection
from tracelog.defects.rules import Correction, DefectWord, spoken_spellings
from tracelog.defects.settling import Settler, known_by
from tracelog.errors import UnknownReference
from tracelog.language import _
from tracelog.plant.queries import Directory, directory

# Columns of an entry as it stands.
ROW_NAMES = (
    *("entry_id", *SAID, "line_id", "machine_id"),
    *("occurred_at", "counted_occurrences", "corrections"),
)
ROW_COLUMNS = tuple(getattr(CurrentEntry, name) for name in ROW_NAMES)
Row = Mapping[str, Any]


class EntryKind(StrEnum):
    """What an entry is evidence of: running production, or a sample that was inspected."""

    PRODUCTION = "production"
    SAMPLE = "sample"
    ALL = "all"


@dataclass(frozen=True)
class EntryFilter:
    """Which entries. What is left out does not matter.

    Attributes:
        start, end: when the entry counts (`occurred_at`), UTC, the end not included.
        line: line number.
        machine_ids: bodymakers; an empty tuple finds nothing.
        defects: codes; an empty tuple means all kinds.
        found_at: station, as read.
        kind: production, samples, or all.
        coil, pallet: as read.
        is_settled: whether the machine is known.
        as_of: only what was known by then, UTC: entries by when they were logged, corrections by
            when they were made; the end of a dome code that lies later is not known.
    """

    start: datetime | None = None
    end: datetime | None = None
    line: int | None = None
    machine_ids: tuple[uuid.UUID, ...] | None = None
    defects: tuple[str, ...] = ()
    found_at: str | None = None
    kind: EntryKind = EntryKind.ALL
    coil: str | None = None
    pallet: str | None = None
    is_settled: bool | None = None
    as_of: datetime | None = None


@dataclass(frozen=True)
class DefectView:
    """One kind of defect, as pages and answers name it."""

    id: uuid.UUID
    defect: str
    name: str | None
    stage: str | None
    severity: str | None
    arises_at: str | None
    traces_to: str | None
    notes: str | None

    @property
    def title(self) -> str:
        """What people call it: its name, else its code."""
        return self.name or self.defect

    @property
    def word(self) -> DefectWord:
        """For reading typed lines."""
        floor = _other_words().get(self.defect, ())
        return DefectWord(self.defect, self.name, (*floor, *spoken_spellings(self.name)))


@cache
def _other_words() -> dict[str, tuple[str, ...]]:
    return {one.defect: one.also for one in reference.defect_types()}


def vocabulary(session: Session) -> list[DefectView]:
    """The plant's kinds of defect: in order of the process, then the plant's own by code.

    One statement, once in a snapshot.
    """
    return read_once(session, "vocabulary", lambda: _vocabulary(session))


def defect_id_of(session: Session, defect: str) -> uuid.UUID:
    """The id of a kind of defect of the plant, from its code.

    Raises:
        UnknownReference: the plant has no such kind; at the field ``defect``.
    """
    for kind in vocabulary(session):
        if kind.defect == defect:
            return kind.id
    raise UnknownReference(_("'%(defect)s' is not a defect of this plant", defect=defect), "defect")


def _vocabulary(session: Session) -> list[DefectView]:
    names = tuple(DefectView.__dataclass_fields__)
    rows = session.execute(select(*(getattr(DefectType, name) for name in names)))
    found = [DefectView(*row) for row in rows]
    order = {one.defect: place for place, one in enumerate(reference.defect_types())}
    return sorted(found, key=lambda one: (order.get(one.defect, len(order)), one.defect))


@dataclass(frozen=True)
class Surroundings:
    """What is needed to name the machines and defects of entries, and to settle them."""

    defects: tuple[DefectView, ...]
    directory: Directory
    settler: Settler
    by_id: Mapping[uuid.UUID, DefectView]

    @property
    def ids(self) -> Vocabulary:
        """Ids of defects by code, and the other way round."""
        return Vocabulary(
            {one.defect: one.id for one in self.defects},
            {one.id: one.defect for one in self.defects},
        )


def surroundings(session: Session, as_of: datetime | None) -> Surroundings:
    """Vocabulary and directory. Four statements."""
    defects = tuple(vocabulary(session))
    places = directory(session)
    return Surroundings(
        defects, places, Settler(known_by(places, as_of)), {one.id: one for one in defects}
    )


@dataclass(frozen=True)
class Choice:
    """A filter whose words are ids."""

    asked: EntryFilter
    line_id: uuid.UUID | None
    defect_ids: frozenset[uuid.UUID] | None

    @classmethod
    def of(cls, asked: EntryFilter, around: Surroundings) -> "Choice":
        """Look the filter's words up; what the plant does not have finds nothing."""
        wanted = set(asked.defects)
        return cls(
            asked,
            # An id that no row has.
            around.directory.lines.get(asked.line, uuid.UUID(int=0))
            if asked.line is not None
            else None,
            frozenset(one.id for one in around.defects if one.defect in wanted) if wanted else None,
        )

    def conditions(self) -> list[ColumnElement[bool]]:
        """The filter for rows of `current_entries`, without `as_of`."""
        asked, found = self.asked, list[ColumnElement[bool]]()
        if asked.start is not None:
            found.append(CurrentEntry.occurred_at >= asked.start)
        if asked.end is not None:
            found.append(CurrentEntry.occurred_at < asked.end)
        if asked.machine_ids is not None:
            found.append(CurrentEntry.machine_id.in_(asked.machine_ids))
        if self.defect_ids is not None:
            kind: ColumnElement[uuid.UUID] = CurrentEntry.defect_id.expression
            if asked.is_settled is False:
                # Far fewer entries have no machine than are of a kind; SQLite does not know that,
                # and would look through all of the kind.
                kind = func.coalesce(kind, kind)
            found.append(kind.in_(self.defect_ids))
        if asked.kind is not EntryKind.ALL:
            is_production = CurrentEntry.inspected.is_(None)
            found.append(is_production if asked.kind is EntryKind.PRODUCTION else ~is_production)
        if asked.is_settled is not None:
            is_open = CurrentEntry.machine_id.is_(None)
            found.append(~is_open if asked.is_settled else is_open)
        for column, value in (
            (CurrentEntry.line_id, self.line_id),
            (CurrentEntry.found_at, asked.found_at),
            (CurrentEntry.coil, asked.coil),
            (CurrentEntry.pallet, asked.pallet),
        ):
            if value is not None:
                found.append(column == value)
        return found

    def takes(self, row: Row) -> bool:
        """The same of a row that was worked out anew."""
        asked = self.asked
        wanted = {
            "line_id": self.line_id,
            "found_at": asked.found_at,
            "coil": asked.coil,
            "pallet": asked.pallet,
        }
        return (
            (asked.start is None or row["occurred_at"] >= asked.start)
            and (asked.end is None or row["occurred_at"] < asked.end)
            and (asked.machine_ids is None or row["machine_id"] in asked.machine_ids)
            and (self.defect_ids is None or row["defect_id"] in self.defect_ids)
            and asked.kind in (EntryKind.ALL, _kind_of(row))
            and asked.is_settled in (None, row["machine_id"] is not None)
            and all(value is None or row[name] == value for name, value in wanted.items())
        )


def _kind_of(row: Row) -> EntryKind:
    return EntryKind.PRODUCTION if row["inspected"] is None else EntryKind.SAMPLE


def unaltered(as_of: datetime | None) -> list[ColumnElement[bool]]:
    """Condition: the row of `current_entries` is what was known at `as_of`."""
    if as_of is None:
        return []
    return [
        CurrentEntry.logged_at <= as_of,
        CurrentEntry.occurred_at <= as_of,
        # Corrections are few: one list of them is looked into, whatever the planner expects.
        CurrentEntry.entry_id.not_in(
            select(EntryCorrection.entry_id).where(EntryCorrection.corrected_at > as_of)
        ),
    ]


def _altered() -> Select[tuple[uuid.UUID]]:
    """Ids of the entries whose row now may say something that was not known at `as_of`.

    The instant is left open.
    """
    as_of = bindparam("as_of", type_=UtcInstant())
    # Nearly all were logged by then and few made later: the index of the latter is the one to use,
    # and SQLite, which cannot know that, is kept from the other.
    logged_at = func.coalesce(CurrentEntry.logged_at, CurrentEntry.logged_at)
    found = union(
        select(EntryCorrection.entry_id).where(EntryCorrection.corrected_at > as_of),
        select(CurrentEntry.entry_id).where(logged_at <= as_of, CurrentEntry.occurred_at > as_of),
    ).subquery()
    return select(found.c.entry_id)


def rows_as_of(session: Session, choice: Choice, around: Surroundings) -> list[Row]:
    """Entries of the choice that stood otherwise at its `as_of`, as they stood then.

    Two statements, none without an `as_of`.
    """
    as_of = choice.asked.as_of
    if as_of is None:
        return []
    ids = around.ids
    corrections: dict[uuid.UUID, list[Correction]] = defaultdict(list)
    made, asked = _anew()
    for row in session.execute(made, {"as_of": as_of}):
        corrections[row.entry_id].append(correction_of(row, ids))
    logged = session.execute(asked, {"as_of": as_of})
    entries = (dict(zip(ENTRY_NAMES, row, strict=True)) for row in logged)
    stood = (current_row(one, corrections.get(one["id"], ()), around.settler) for one in entries)
    return [row for row in stood if row is not None and choice.takes(row)]


@cache
def _anew() -> tuple[Any, Any]:
    """Corrections and entries that are worked out anew: made once, `as_of` is left open."""
    as_of = bindparam("as_of", type_=UtcInstant())
    made = select(*CORRECTION_COLUMNS).where(
        EntryCorrection.corrected_at <= as_of, EntryCorrection.entry_id.in_(_altered())
    )
    return made, select(*ENTRY_COLUMNS).where(Entry.logged_at <= as_of, Entry.id.in_(_altered()))


def chosen_rows(session: Session, asked: Select[Any]) -> Iterator[Row]:
    """Rows of a statement that selects `ROW_COLUMNS`, by name."""
    for row in session.execute(asked):
        yield dict(zip(ROW_NAMES, row, strict=True))
