"""Writes of the log: entries, corrections, and what is derived from them.

No action commits; the door that called it does. Facts that are refused are not written and do
not hinder the others.
"""

import uuid
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Row, delete, or_, select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import insert_rows, pieces, rows_with
from tracelog.db import new_id
from tracelog.defects.checking import (
    CORRECTION_COLUMNS,
    ENTRY_COLUMNS,
    ENTRY_NAMES,
    UTC_ZONE,
    References,
    Vocabulary,
    as_fact_values,
    audited,
    current_row,
    entry_row,
    kept_corrections,
    kept_entries,
    vocabulary_ids,
)
from tracelog.defects.facts import (
    STAND_IN,
    CorrectionFact,
    CorrectionRowFact,
    EntryFact,
    read_changes,
    with_companions,
    write_changes,
)
from tracelog.defects.group_actions import write_new
from tracelog.defects.models import CurrentEntry, Entry, EntryCorrection
from tracelog.defects.rules import Standing, in_order, standing
from tracelog.defects.settling import Settler
from tracelog.defects.tallies.actions import rebuild_tallies, retally, standing_rows
from tracelog.defects.vocabulary.actions import record_defect_types, seed_vocabulary
from tracelog.errors import BadFact, Conflict, Fault, NotFound
from tracelog.facts import write_value
from tracelog.language import _
from tracelog.outcomes import CREATED, UNCHANGED, Became, Outcome, conflict
from tracelog.plant.dome_code import DomeCode
from tracelog.plant.queries import directory, the_zone

__all__ = [
    "correct_entry",
    "derive_entries",
    "derive_for_codes",
    "log_entries",
    "rebuild_entries",
    "rebuild_tallies",
    "record_corrections",
    "record_defect_types",
    "seed_vocabulary",
]

# Entries derived in one go: enough to be fast, few enough for any memory.
_AT_ONCE = 5000


# --- entries


def log_entries(
    session: Session, facts: Sequence[EntryFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Log what was found.

    The same id with the same content changes nothing; with other content it is refused. A defect
    or line that the plant does not have is refused at its field; a code that no machine bears, a
    partial and a blank code are kept as read.

    Args:
        session: an open session that writes.
        facts: the findings.
        actor: who acts.
        now: when, UTC.

    Returns:
        What became of each fact, in order.
    """
    take_turn(session)
    references = References(vocabulary_ids(session), directory(session))
    kept = kept_entries(session, [fact.id for fact in facts])
    outcomes, written, rows = [], [], []
    for fact in facts:
        faults = references.faults({"dome_code": fact.dome_code, "defect": fact.defect})
        if faults:
            outcomes.append(Outcome(Became.REFUSED, faults))
            continue
        row = entry_row(fact, references.vocabulary)
        earlier = kept.setdefault(fact.id, row)
        if earlier is row:
            outcomes.append(CREATED)
            written.append(fact)
            rows.append(row)
        else:
            outcomes.append(_same_entry(earlier, row, references.vocabulary))
    if written:
        before, after = audited(written, [], outcomes)
        if len(written) > 1:
            after["earliest"] = write_value(min(one.made_at or one.seen_at for one in written))
        subject = Subject("entry", str(written[0].id) if len(written) == 1 else "several")
        audit_id = append(session, actor, now, "log entries", subject, before, after)
        with_record = [row | {"audit_id": audit_id} for row in rows]
        write_new(session, with_record, Settler(references.directory))
    return outcomes


def _same_entry(
    earlier: Mapping[str, Any], row: Mapping[str, Any], vocabulary: Vocabulary
) -> Outcome:
    differing = [name for name in ENTRY_NAMES if earlier[name] != row[name]]
    if not differing:
        return UNCHANGED
    name = differing[0]
    shown = [one[name] for one in (earlier, row)]
    if name == "defect_id":
        name, shown = "defect", [vocabulary.codes[one] for one in shown]
    return conflict(
        "id",
        _(
            "was accepted before with %(field)s %(before)s, not %(now)s; send a new entry with an"
            " id of its own, or correct that one",
            field=name,
            before=write_value(shown[0]) or _("blank"),
            now=write_value(shown[1]) or _("blank"),
        ),
    )


# --- corrections


def correct_entry(
    session: Session,
    fact: CorrectionFact,
    actor: Actor,
    now: datetime,
    expected_corrections: int | None = None,
) -> Outcome:
    """Correct, withdraw or bring back one entry; what it said before stays on record.

    Args:
        session: an open session that writes.
        fact: the new values of the fields that change, and the reason.
        actor: who corrects.
        now: when, UTC. A correction comes after those it builds on, whatever the clock says.
        expected_corrections: how many corrections the person saw; None: does not matter.

    Returns:
        CREATED, or UNCHANGED if the same correction was accepted before.

    Raises:
        NotFound: there is no such entry.
        Conflict: the id was accepted before with other content, or somebody else has corrected
            the entry meanwhile.
        BadFact: the corrected entry would be wrong, or would say what it says already.
    """
    take_turn(session)
    vocabulary = vocabulary_ids(session)
    zone = the_zone(session)
    if fact.id is not None:
        sent_before = list(rows_with(session, CORRECTION_COLUMNS, EntryCorrection.id, [fact.id]))
        if sent_before:
            return _same_correction(fact, sent_before[0], zone)
    entry = kept_entries(session, [fact.entry]).get(fact.entry)
    if entry is None:
        raise NotFound(_("there is no entry with the id %(id)s", id=fact.entry), "entry")
    earlier = kept_corrections(session, [fact.entry], vocabulary).get(fact.entry, [])
    if expected_corrections is not None and expected_corrections != len(earlier):
        raise Conflict(
            _("somebody has corrected this entry meanwhile; look at it again, then correct it")
        )
    before = standing(entry, earlier)
    references = References(vocabulary, directory(session))
    changes, withdrawn = _corrected(fact, before, references, zone)
    # It comes after those it builds on, also where a clock was slow.
    latest = in_order(earlier)[-1].corrected_at + timedelta(microseconds=1) if earlier else now
    audit_id = append(session, actor, now, *_told(fact, before, changes, withdrawn, vocabulary))
    row = {
        "id": fact.id or new_id(),
        "entry_id": fact.entry,
        "corrected_at": max(now, latest),
        "corrected_by": actor.name[:120],
        "reason": fact.reason,
        "withdrawn": withdrawn,
        "changes": write_changes(changes),
        "audit_id": audit_id,
    }
    insert_rows(session, EntryCorrection, [row])
    derive_entries(session, [fact.entry])
    return CREATED


def _told(
    fact: CorrectionFact,
    before: Standing,
    changes: Mapping[str, Any],
    withdrawn: bool,
    vocabulary: Vocabulary,
) -> tuple[str, Subject, dict[str, Any], dict[str, Any]]:
    """What the audit record of a correction says: action, subject, before and after."""
    said = as_fact_values(before.values, vocabulary)
    old = {name: said[name] for name in changes} | {"withdrawn": before.withdrawn}
    new = {name: write_value(value) for name, value in changes.items()}
    action = "withdraw entry" if withdrawn and not before.withdrawn else "correct entry"
    subject = Subject("entry", str(fact.entry))
    return action, subject, old, new | {"withdrawn": withdrawn, "reason": fact.reason}


def _corrected(
    fact: CorrectionFact, before: Standing, references: References, zone: ZoneInfo
) -> tuple[dict[str, Any], bool]:
    """The new values (fields of `EntryFact`), and whether the entry is withdrawn from now on."""
    said = as_fact_values(before.values, references.vocabulary)
    corrected = EntryFact.read(said | fact.values, zone)
    changes = {name: getattr(corrected, name) for name in with_companions(fact.values)}
    withdrawn = before.withdrawn if fact.withdrawn is None else fact.withdrawn
    differing = {name for name, value in changes.items() if write_value(value) != said[name]}
    faults = references.faults({name: changes[name] for name in differing})
    if faults:
        raise BadFact(faults)
    if not differing and withdrawn == before.withdrawn:
        raise BadFact((Fault("", _("changes nothing; name a field with another value")),))
    return changes, withdrawn


def _same_correction(fact: CorrectionFact, row: Row[Any], zone: ZoneInfo) -> Outcome:
    kept = read_changes(row.changes, UTC_ZONE)
    said = STAND_IN | {name: write_value(value) for name, value in kept.items()}
    try:
        sent = EntryFact.read(said | fact.values, zone)
    except BadFact:
        sent = None
    same = (
        sent is not None
        and row.entry_id == fact.entry
        and row.reason == fact.reason
        and fact.withdrawn in (None, row.withdrawn)
        and set(kept) == set(with_companions(fact.values))
        and all(getattr(sent, name) == kept[name] for name in kept)
    )
    if not same:
        raise Conflict(_("a correction with this id was accepted before and says else"), "id")
    return UNCHANGED


def record_corrections(
    session: Session, facts: Sequence[CorrectionRowFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Take over corrections that were made before, such as those of an exported plant folder.

    Each is right or wrong by itself, so that they may arrive in any order.

    Args:
        session: an open session that writes.
        facts: the corrections.
        actor: who acts; who corrected stands in each fact.
        now: when, UTC.

    Returns:
        What became of each fact, in order.
    """
    take_turn(session)
    references = References(vocabulary_ids(session), directory(session))
    there = {row.id for row in rows_with(session, [Entry.id], Entry.id, [f.entry for f in facts])}
    known = rows_with(session, CORRECTION_COLUMNS, EntryCorrection.id, [f.id for f in facts])
    kept = {row.id: tuple(row) for row in known}
    outcomes, written, rows = [], [], []
    for fact in facts:
        faults = _correction_faults(fact, there, references)
        if faults:
            outcomes.append(Outcome(Became.REFUSED, faults))
            continue
        values = tuple(getattr(fact, name) for name in CorrectionRowFact.columns())
        earlier = kept.setdefault(fact.id, values)
        if earlier is values:
            outcomes.append(CREATED)
            written.append(fact)
            rows.append(values)
        elif earlier == values:
            outcomes.append(UNCHANGED)
        else:
            sentence = _("a correction with this id was accepted before and says else")
            outcomes.append(conflict("id", sentence))
    if written:
        before, after = audited(written, [], outcomes)
        subject = Subject("correction", str(written[0].id) if len(written) == 1 else "several")
        audit_id = append(session, actor, now, "record corrections", subject, before, after)
        names = [column.key for column in CORRECTION_COLUMNS]
        insert_rows(
            session,
            EntryCorrection,
            [dict(zip(names, row, strict=True)) | {"audit_id": audit_id} for row in rows],
        )
        derive_entries(session, [fact.entry for fact in written])
    return outcomes


def _correction_faults(
    fact: CorrectionRowFact, there: set[uuid.UUID], references: References
) -> tuple[Fault, ...]:
    faults = []
    if fact.entry not in there:
        sentence = _("there is no entry with the id %(id)s; import it first", id=fact.entry)
        faults.append(Fault("entry", sentence))
    wrong = references.faults(read_changes(fact.changes, UTC_ZONE))
    if wrong:
        faults.append(Fault("changes", "; ".join(str(fault) for fault in wrong)))
    return tuple(faults)


# --- what is derived


def derive_entries(session: Session, entry_ids: Iterable[uuid.UUID]) -> None:
    """Write anew how these entries stand: corrections applied, machine settled.

    A fixed number of statements for every few thousand entries.
    """
    vocabulary = vocabulary_ids(session)
    settler = Settler(directory(session))
    for ids in pieces(dict.fromkeys(entry_ids), _AT_ONCE):
        before = standing_rows(session, ids)
        session.execute(
            delete(CurrentEntry)
            .where(CurrentEntry.entry_id.in_(ids))
            .execution_options(synchronize_session=False)
        )
        entries = kept_entries(session, ids)
        after = _write_current(session, list(entries.values()), vocabulary, settler)
        retally(session, before, after)


def rebuild_entries(session: Session) -> None:
    """Write anew how all entries stand, from the facts alone."""
    vocabulary = vocabulary_ids(session)
    settler = Settler(directory(session))
    session.execute(delete(CurrentEntry).execution_options(synchronize_session=False))
    last: uuid.UUID | None = None
    while True:
        asked = select(*ENTRY_COLUMNS).order_by(Entry.id).limit(_AT_ONCE)
        if last is not None:
            asked = asked.where(Entry.id > last)
        entries = [dict(zip(ENTRY_NAMES, row, strict=True)) for row in session.execute(asked)]
        if not entries:
            break
        last = entries[-1]["id"]
        _write_current(session, entries, vocabulary, settler)
    rebuild_tallies(session)


def _write_current(
    session: Session,
    entries: Sequence[Mapping[str, Any]],
    vocabulary: Vocabulary,
    settler: Settler,
) -> list[dict[str, Any]]:
    corrections = kept_corrections(session, [entry["id"] for entry in entries], vocabulary)
    found = (current_row(entry, corrections.get(entry["id"], ()), settler) for entry in entries)
    rows = [row for row in found if row is not None]
    insert_rows(session, CurrentEntry, rows)
    return rows


def derive_for_codes(
    session: Session, codes: Iterable[DomeCode | str], since: datetime | None = None
) -> int:
    """Settle entries again after lines, machines or dome codes were recorded or ended.

    Args:
        session: an open session that writes.
        codes: the dome codes that may mean another machine now: those recorded, and the codes of
            machines that are new.
        since: the earliest instant from which that holds; None: always.

    Returns:
        How many entries were looked at: those that bear one of the codes, and all that are
        partial, blank or not settled.
    """
    asked = select(CurrentEntry.entry_id).where(
        or_(
            CurrentEntry.machine_id.is_(None),
            CurrentEntry.dome_code.is_(None),
            CurrentEntry.dome_code.contains("?", autoescape=True),
            CurrentEntry.dome_code.in_(sorted({str(code) for code in codes})),
        )
    )
    if since is not None:
        asked = asked.where(CurrentEntry.occurred_at >= since)
    ids = session.execute(asked).scalars().all()
    derive_entries(session, ids)
    return len(ids)
