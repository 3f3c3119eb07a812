"""What the log's actions look up before they write: references, and what was accepted before."""

import hashlib
import json
import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.bulk import rows_with
from tracelog.defects.facts import CORRECTABLE, EntryFact, read_changes
from tracelog.defects.models import DefectType, Entry, EntryCorrection
from tracelog.defects.rules import (
    Correction,
    Standing,
    counted_occurrences,
    occurred_at,
    standing,
    unknown_word,
)
from tracelog.defects.settling import Settler
from tracelog.errors import Fault
from tracelog.facts import Fact, known_words, write_value
from tracelog.language import _
from tracelog.outcomes import Outcome, counts
from tracelog.plant.dome_code import DomeCode
from tracelog.plant.queries import Directory

UTC_ZONE = ZoneInfo("UTC")
# The columns of an entry, as logged and as it stands, beside its id.
SAID = (
    *("seen_at", "made_at", "dome_code", "defect_id", "cans", "occurrences", "inspected"),
    *("found_at", "coil", "pallet", "mark", "note", "logged_by", "logged_at"),
    "tablet_clock_error_s",
)
ENTRY_NAMES = ("id", *SAID)
ENTRY_COLUMNS = tuple(getattr(Entry, name) for name in ENTRY_NAMES)
CORRECTION_COLUMNS = (
    *(EntryCorrection.id, EntryCorrection.entry_id, EntryCorrection.corrected_at),
    *(EntryCorrection.corrected_by, EntryCorrection.reason),
    *(EntryCorrection.withdrawn, EntryCorrection.changes),
)


@dataclass(frozen=True)
class Vocabulary:
    """Ids of the plant's defects by code, and the other way round."""

    ids: Mapping[str, uuid.UUID]
    codes: Mapping[uuid.UUID, str]


def vocabulary_ids(session: Session) -> Vocabulary:
    """All defects of the plant. One statement."""
    rows = session.execute(select(DefectType.defect, DefectType.id).order_by(DefectType.defect))
    ids = {row.defect: row.id for row in rows}
    return Vocabulary(ids, {one: defect for defect, one in ids.items()})


@dataclass(frozen=True)
class References:
    """What an entry may name on this plant."""

    vocabulary: Vocabulary
    directory: Directory
    _codes: dict[DomeCode, str | None] = field(default_factory=dict)

    def faults(self, values: Mapping[str, Any]) -> tuple[Fault, ...]:
        """What is wrong with the defect and the dome code of an entry or correction.

        Coil, pallet and place are kept as read: they are evidence, and need not be known.

        Args:
            values: fields to values as `EntryFact` holds them; those left out are not looked at.
        """
        found = []
        code = values.get("dome_code")
        if code is not None and (sentence := self._wrong_code(code)):
            found.append(Fault("dome_code", sentence))
        defect = values.get("defect")
        if defect is not None and defect not in self.vocabulary.ids:
            known = list(self.vocabulary.ids)
            found.append(Fault("defect", unknown_word(defect, known, _("a defect"))))
        return tuple(found)

    def _wrong_code(self, code: DomeCode) -> str | None:
        if code not in self._codes:
            self._codes[code] = self._look_up(code)
        return self._codes[code]

    def _look_up(self, code: DomeCode) -> str | None:
        if "?" in code.line or int(code.line) in self.directory.lines:
            return None
        if any(code.fits(override.code) for override in self.directory.overrides):
            return None
        return _(
            "'%(code)s' names line %(line)s, which this plant does not have; lines are %(known)s",
            code=code,
            line=code.line,
            known=known_words(sorted(self.directory.lines)) or _("not entered yet"),
        )


def columns_of(values: Mapping[str, Any], vocabulary: Vocabulary) -> dict[str, Any]:
    """Fields of an entry, as `EntryFact` holds them, as the columns that keep them."""
    columns = dict(values)
    if "defect" in columns:
        columns["defect_id"] = vocabulary.ids[columns.pop("defect")]
    if columns.get("dome_code") is not None:
        columns["dome_code"] = str(columns["dome_code"])
    return columns


def entry_row(fact: EntryFact, vocabulary: Vocabulary) -> dict[str, Any]:
    """The row of `entries` that keeps a fact."""
    names = (*EntryFact.columns(), *EntryFact.unusual_fields)
    return columns_of({name: getattr(fact, name) for name in names}, vocabulary)


def kept_entries(session: Session, ids: Iterable[uuid.UUID]) -> dict[uuid.UUID, dict[str, Any]]:
    """Entries as they were logged, by id. One statement for every few thousand."""
    found = rows_with(session, ENTRY_COLUMNS, Entry.id, ids)
    return {row.id: dict(zip(ENTRY_NAMES, row, strict=True)) for row in found}


def kept_corrections(
    session: Session, entry_ids: Iterable[uuid.UUID], vocabulary: Vocabulary
) -> dict[uuid.UUID, list[Correction]]:
    """Corrections by the id of their entry. One statement for every few thousand entries."""
    found: dict[uuid.UUID, list[Correction]] = defaultdict(list)
    for row in rows_with(session, CORRECTION_COLUMNS, EntryCorrection.entry_id, entry_ids):
        found[row.entry_id].append(correction_of(row, vocabulary))
    return found


def correction_of(row: Any, vocabulary: Vocabulary) -> Correction:
    """A row of corrections (`CORRECTION_COLUMNS`), its changes as columns."""
    changes = columns_of(read_changes(row.changes, UTC_ZONE), vocabulary)
    return Correction(row.id, row.corrected_at, row.withdrawn, changes)


def current_row(
    entry: Mapping[str, Any], corrections: Sequence[Correction], settler: Settler
) -> dict[str, Any] | None:
    """The row of `current_entries` for an entry, None if it is withdrawn.

    Args:
        entry: its row as logged.
        corrections: all of this entry, in any order.
        settler: says which machine a dome code means.
    """
    now: Standing = standing(entry, corrections)
    if now.withdrawn:
        return None
    when = occurred_at(now.values)
    settled = settler.settle(now.values["dome_code"], when)
    return {
        "entry_id": entry["id"],
        **{name: now.values[name] for name in SAID},
        "line_id": settled.line_id,
        "machine_id": settled.machine_id,
        "occurred_at": when,
        "counted_occurrences": counted_occurrences(now.values["cans"], now.values["occurrences"]),
        "corrections": now.corrections,
    }


def as_fact_values(values: Mapping[str, Any], vocabulary: Vocabulary) -> dict[str, str]:
    """Columns of an entry as text of the file format, for those fields that can be corrected."""
    said = dict(values) | {"defect": vocabulary.codes[values["defect_id"]]}
    return {name: write_value(said[name]) for name in CORRECTABLE}


def _as_in_file(fact: Fact) -> dict[str, str]:
    filled = [name for name in fact.unusual_fields if getattr(fact, name) is not None]
    return {name: write_value(getattr(fact, name)) for name in (*type(fact).columns(), *filled)}


def audited(
    facts: Sequence[Fact], before: Sequence[Mapping[str, Any] | None], outcomes: Sequence[Outcome]
) -> tuple[Mapping[str, Any] | None, dict[str, Any]]:
    """Values before and after a write, for its audit record.

    Args:
        facts: those that were written, at least one.
        before: for each what was there, empty if nothing was.
        outcomes: of all facts that were sent.

    Returns:
        For one fact its values in full; for many their number, first and last key, and the
        SHA-256 of the rows as a file would hold them.
    """
    rows = [_as_in_file(fact) for fact in facts]
    if len(rows) == 1:
        return before[0] if before else None, rows[0]
    content = hashlib.sha256()
    for row in rows:
        content.update(json.dumps(list(row.values()), ensure_ascii=False).encode() + b"\n")
    first, last = (" ".join(write_value(part) for part in facts[end].key) for end in (0, -1))
    return None, {
        "rows": len(facts),
        "first": first,
        "last": last,
        "sha256": content.hexdigest(),
        "became": counts(outcomes),
    }
