"""Writes of the vocabulary: which kinds of defect the plant has. No action commits."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, cast

from sqlalchemy import Table, bindparam, update
from sqlalchemy.orm import Session

from tracelog import reference
from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import insert_rows, rows_with
from tracelog.db import new_id
from tracelog.defects.checking import audited, vocabulary_ids
from tracelog.defects.facts import DefectTypeFact, Severity
from tracelog.defects.models import DefectType
from tracelog.language import _
from tracelog.outcomes import CHANGED, COMPLETED, CREATED, UNCHANGED, Outcome, refused

FIELDS = DefectTypeFact.columns()


def record_defect_types(
    session: Session, facts: Sequence[DefectTypeFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Enter kinds of defect, or change what is known of them; a blank never erases.

    Args:
        session: an open session that writes.
        facts: the kinds of defect; one code twice with other content is refused.
        actor: who acts.
        now: when, UTC.

    Returns:
        What became of each fact, in order.
    """
    take_turn(session)
    rows = rows_with(
        session,
        [getattr(DefectType, name) for name in FIELDS],
        DefectType.defect,
        [fact.defect for fact in facts],
    )
    kept = {row.defect: dict(zip(FIELDS, row, strict=True)) for row in rows}
    known = {defect: dict(values) for defect, values in kept.items()}
    first: dict[str, DefectTypeFact] = {}
    outcomes = []
    for fact in facts:
        earlier = first.setdefault(fact.defect, fact)
        if earlier is fact:
            known[fact.defect], outcome = _settled(fact, known.get(fact.defect))
        elif earlier == fact:
            outcome = UNCHANGED
        else:
            differing = [n for n in FIELDS if getattr(fact, n) != getattr(earlier, n)]
            outcome = refused(
                "defect",
                _(
                    "'%(defect)s' stands here twice with other %(fields)s; keep one of the two",
                    defect=fact.defect,
                    fields=", ".join(differing),
                ),
            )
        outcomes.append(outcome)
    changed = [f for f, o in zip(facts, outcomes, strict=True) if o.is_kept and o != UNCHANGED]
    if changed:
        _write_types(session, [known[fact.defect] for fact in changed], set(kept))
        before, after = audited(changed, [kept.get(f.defect) for f in changed], outcomes)
        subject = Subject("defect type", changed[0].defect if len(changed) == 1 else "several")
        append(session, actor, now, "record defect types", subject, before, after)
    return outcomes


def _settled(
    fact: DefectTypeFact, kept: Mapping[str, Any] | None
) -> tuple[dict[str, Any], Outcome]:
    """The row as it should be now, and what that makes of the fact."""
    said = {name: getattr(fact, name) for name in FIELDS}
    if said["severity"] is not None:
        said["severity"] = said["severity"].value
    if kept is None:
        return said, CREATED
    known = {name: value for name, value in said.items() if value is not None}
    differing = [name for name, value in known.items() if kept[name] != value]
    if not differing:
        return dict(kept), UNCHANGED
    completes = all(kept[name] is None for name in differing)
    return {**kept, **known}, COMPLETED if completes else CHANGED


def _write_types(session: Session, rows: Sequence[Mapping[str, Any]], there: set[str]) -> None:
    insert_rows(
        session, DefectType, [{"id": new_id(), **row} for row in rows if row["defect"] not in there]
    )
    updated = [
        {f"new_{name}": value for name, value in row.items()}
        for row in rows
        if row["defect"] in there
    ]
    if updated:
        table = cast(Table, DefectType.__table__)
        fields: dict[str, Any] = {
            name: bindparam(f"new_{name}") for name in FIELDS if name != "defect"
        }
        session.connection().execute(
            update(table).where(table.c.defect == bindparam("new_defect")).values(fields), updated
        )


def seed_vocabulary(session: Session, actor: Actor, now: datetime) -> list[Outcome]:
    """Enter the vocabulary of the trade if the plant has none of its own yet.

    Returns:
        What became of each kind of defect; empty if the plant has some already.
    """
    if vocabulary_ids(session).ids:
        return []
    facts = [
        DefectTypeFact(
            defect=one.defect,
            name=one.name,
            stage=one.stage,
            severity=Severity(one.severity),
            arises_at=one.arises_at,
            traces_to=", ".join(one.traces_to) or None,
            notes=one.looks or None,
        )
        for one in reference.defect_types()
    ]
    return record_defect_types(session, facts, actor, now)
