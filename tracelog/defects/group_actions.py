"""New entries are written; those of several requests together, each with its own audit record."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, Write, append_each, take_turn
from tracelog.bulk import insert_rows
from tracelog.defects.checking import References, audited, current_row, entry_row
from tracelog.defects.facts import EntryFact
from tracelog.defects.models import CurrentEntry, Entry
from tracelog.defects.settling import Settler
from tracelog.defects.tallies.actions import retally
from tracelog.outcomes import CREATED

_THERE = select(Entry.id).where(Entry.id.in_(bindparam("ids", expanding=True)))


@dataclass(frozen=True)
class Ground:
    """What entries of a plant are judged by: what they may name, and the plant's zone."""

    references: References
    settler: Settler
    zone: ZoneInfo


@dataclass(frozen=True)
class Single:
    """One entry that somebody logs by itself, whose defect and line the plant has."""

    fact: EntryFact
    actor: Actor
    at: datetime


def log_each(session: Session, singles: Sequence[Single], ground: Ground) -> list[bool]:
    """Log entries that were sent one by one, as `log_entries` would log each of them.

    Args:
        session: an open session that writes.
        singles: the entries.
        ground: as it is now.

    Returns:
        For each whether it was written; one whose id is there already, or comes twice, was not,
        and has to be compared with what is there.
    """
    take_turn(session)
    ids = [one.fact.id for one in singles]
    there = set(session.execute(_THERE, {"ids": ids}).scalars())
    kept, written = [], []
    for one in singles:
        written.append(one.fact.id not in there)
        if written[-1]:
            there.add(one.fact.id)
            kept.append(one)
    if not kept:
        return written
    writes = [
        Write(one.actor, one.at, "log entries", Subject("entry", str(one.fact.id)), None, after)
        for one in kept
        for after in (audited([one.fact], [], [CREATED])[1],)
    ]
    audit_ids = append_each(session, writes)
    rows = [entry_row(one.fact, ground.references.vocabulary) for one in kept]
    with_record = [row | {"audit_id": own} for row, own in zip(rows, audit_ids, strict=True)]
    write_new(session, with_record, ground.settler, ground.zone)
    return written


def write_new(
    session: Session,
    rows: Sequence[Mapping[str, Any]],
    settler: Settler,
    zone: ZoneInfo | None = None,
) -> None:
    """Write entries that are new, how they stand, and what they add to the tallies.

    Args:
        session: an open session that writes, and whose turn it is.
        rows: of `entries`, each with its audit record.
        settler: says which machine a dome code means.
        zone: the plant's, for who knows it; None: it is read.
    """
    # Sealed from these values, and not from what the database gives back.
    insert_rows(session, Entry, rows, few=1)
    found = (current_row(row, (), settler) for row in rows)
    current = [row for row in found if row is not None]
    insert_rows(session, CurrentEntry, current)
    retally(session, (), current, zone)
