"""How a batch of reported facts becomes rows: the same for every kind of fact.

A fact whose key is new is created. One whose key is known may fill in what was blank. What
differs from a known value is refused for a fact, and replaces it for a setting. A blank never
erases anything. So the rows at the end do not depend on the order in which facts arrived.
"""

import hashlib
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeVar, cast

from sqlalchemy import Table, bindparam, update
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import insert_tuples, rows_with
from tracelog.db import Base, new_id
from tracelog.errors import Fault, UnknownReference
from tracelog.facts import Fact, write_value
from tracelog.instants import write_instant
from tracelog.language import _
from tracelog.outcomes import (
    CHANGED,
    COMPLETED,
    CREATED,
    UNCHANGED,
    Became,
    Outcome,
    counts,
    refused,
)

Values = tuple[Any, ...]
FactType = TypeVar("FactType", bound=Fact)
# Told what a row would be; answers why not, or keeps in mind that it is there from now on.
Guard = Callable[[Values, Values], Outcome | None]


@dataclass(frozen=True)
class Keeping:
    """How facts of one kind are kept.

    Attributes:
        table: where.
        kind: what one is called in the audit trail, in the plural.
        key: columns of the natural key.
        values: the other columns.
        among: key column by which rows are looked up.
        between: key column of an instant that narrows the look-up.
        is_setting: a known value may be replaced by another.
        told_at: field of the file for columns that have another name.
    """

    table: type[Base]
    kind: str
    key: tuple[str, ...]
    values: tuple[str, ...]
    among: str
    between: str | None = None
    is_setting: bool = False
    told_at: Mapping[str, str] = field(default_factory=dict)

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns of the key, then the others."""
        return self.key + self.values


class _Held:
    """A row as it stands, with what this batch has done to it so far."""

    __slots__ = ("before", "id", "said", "values")

    def __init__(self, row_id: uuid.UUID, values: Values, is_new: bool) -> None:
        self.id = row_id
        self.values = values
        # None: there was no row before this batch.
        self.before: Values | None = None if is_new else values
        # What rows of this batch say, as far as they say anything.
        self.said: Values | None = None

    def hear(self, values: Values) -> None:
        """Keep in mind what an accepted row of this batch says."""
        self.said = values if self.said is None else _laid_over(self.said, values)


def _laid_over(old: Values, new: Values) -> Values:
    return tuple(a if b is None else b for a, b in zip(old, new, strict=True))


def resolved(
    facts: Iterable[FactType], resolve: Callable[[FactType], Values]
) -> list[Values | Outcome]:
    """Each fact as values of its columns, or the refusal of one that names what is not there."""
    rows: list[Values | Outcome] = []
    for fact in facts:
        try:
            rows.append(resolve(fact))
        except UnknownReference as problem:
            rows.append(refused(problem.field, problem.sentence))
    return rows


def record_rows(
    session: Session,
    keeping: Keeping,
    rows: Sequence[Values | Outcome],
    actor: Actor,
    now: datetime,
    *,
    names: Mapping[uuid.UUID, str] | None = None,
    guard: Guard | None = None,
) -> list[Outcome]:
    """Write a batch of facts with one audit record, in the caller's transaction.

    Args:
        session: an open session that writes.
        keeping: how this kind of fact is kept.
        rows: values in order of `keeping.columns`, or the refusal of a fact.
        actor: who reports them.
        now: UTC, the instant of the audit record.
        names: how people call what the ids in the rows point to.
        guard: asked about each row (key, other values) that would be created, completed or
            changed; what it does not refuse is written.

    Returns:
        What became of each row, in order.
    """
    take_turn(session)
    width = len(keeping.key)
    held = _look_up(session, keeping, rows)
    touched: dict[Values, _Held] = {}
    outcomes: list[Outcome] = []
    for row in rows:
        if isinstance(row, Outcome):
            outcomes.append(row)
            continue
        key, values = row[:width], row[width:]
        there = held.get(key)
        if there is not None and there.values == values and there.said is None:
            there.said = values
            outcomes.append(UNCHANGED)
            continue
        if there is None:
            outcome, merged = CREATED, values
        else:
            outcome, merged = _weigh(keeping, there, values, names or {})
        if outcome is not UNCHANGED and outcome.is_kept:
            against = guard(key, merged) if guard else None
            if against is not None:
                outcomes.append(against)
                continue
            if there is None:
                there = held[key] = _Held(_id_of(keeping, key), merged, is_new=True)
            there.values = merged
            touched[key] = there
        if there is not None and outcome.is_kept:
            there.hear(values)
        outcomes.append(outcome)
    _write(session, keeping, touched, actor, now, names or {})
    return outcomes


def _id_of(keeping: Keeping, key: Values) -> uuid.UUID:
    own: uuid.UUID = key[0] if keeping.key == ("id",) else new_id()
    return own


def _look_up(
    session: Session, keeping: Keeping, rows: Sequence[Values | Outcome]
) -> dict[Values, _Held]:
    good = [row for row in rows if not isinstance(row, Outcome)]
    if not good:
        return {}
    width = len(keeping.key)
    place = keeping.key.index(keeping.among)
    between = None
    if keeping.between is not None:
        moments = [row[keeping.key.index(keeping.between)] for row in good]
        between = (getattr(keeping.table, keeping.between), min(moments), max(moments))
    found = rows_with(
        session,
        [getattr(keeping.table, name) for name in ("id", *keeping.columns)],
        getattr(keeping.table, keeping.among),
        (row[place] for row in good),
        between,
    )
    return {
        tuple(row[1 : width + 1]): _Held(row[0], tuple(row[width + 1 :]), is_new=False)
        for row in found
    }


def _weigh(
    keeping: Keeping, there: _Held, values: Values, names: Mapping[uuid.UUID, str]
) -> tuple[Outcome, Values]:
    """What becomes of a fact whose key is known, and the values that its row then has."""
    merged = _laid_over(there.values, values)
    # A setting may differ from what was kept, but not from another row of its own batch.
    binding = there.said if keeping.is_setting else there.values
    faults = tuple(
        Fault(
            keeping.told_at.get(column, column),
            _conflict(_text(new, names), _text(old, names), keeping.is_setting),
        )
        for column, new, old in zip(keeping.values, values, binding or (), strict=False)
        if new is not None and old is not None and new != old
    )
    if faults:
        return Outcome(Became.REFUSED, faults, is_conflict=True), there.values
    if merged == there.values:
        return UNCHANGED, merged
    replaced = any(
        old is not None and new != old for new, old in zip(merged, there.values, strict=True)
    )
    return (CHANGED if replaced else COMPLETED), merged


def _conflict(new: str, old: str, is_setting: bool) -> str:
    if is_setting:
        return _(
            "'%(new)s' contradicts '%(old)s' in another row with the same key; keep one of them",
            new=new,
            old=old,
        )
    return _(
        "'%(new)s' contradicts '%(old)s', which was accepted before for the same key;"
        " a fact on record stays as it is",
        new=new,
        old=old,
    )


def _write(
    session: Session,
    keeping: Keeping,
    touched: dict[Values, _Held],
    actor: Actor,
    now: datetime,
    names: Mapping[uuid.UUID, str],
) -> None:
    if not touched:
        return
    audit_id = _append_audit(session, keeping, touched, actor, now, names)
    is_fact = "audit_id" in keeping.table.__table__.columns
    own_id = () if keeping.key == ("id",) else ("id",)
    columns = (*own_id, *keeping.columns, *(("audit_id",) if is_fact else ()))
    new = [(key, row) for key, row in touched.items() if row.before is None]
    mark = (audit_id,) if is_fact else ()
    if own_id:
        created = [(row.id, *key, *row.values, *mark) for key, row in new]
    else:
        created = [(*key, *row.values, *mark) for key, row in new]
    insert_tuples(session, keeping.table, columns, created)
    changed = [row for row in touched.values() if row.before is not None]
    if changed:
        table = cast(Table, keeping.table.__table__)
        session.connection().execute(
            update(table)
            .where(table.c.id == bindparam("row_id"))
            .values({name: bindparam(f"new_{name}") for name in keeping.values}),
            [
                {"row_id": row.id}
                | {f"new_{n}": v for n, v in zip(keeping.values, row.values, strict=True)}
                for row in changed
            ],
        )
        session.expire_all()


def _append_audit(
    session: Session,
    keeping: Keeping,
    touched: dict[Values, _Held],
    actor: Actor,
    now: datetime,
    names: Mapping[uuid.UUID, str],
) -> uuid.UUID:
    first, last = next(iter(touched)), next(reversed(touched))
    action = f"record {keeping.kind}"
    if len(touched) == 1:
        row = touched[first]
        return append(
            session,
            actor,
            now,
            action,
            Subject(keeping.kind, _key_text(first, names)),
            before=None if row.before is None else _named(keeping, first, row.before, names),
            after=_named(keeping, first, row.values, names),
        )
    columns = zip(*(key + row.values for key, row in touched.items()), strict=True)
    texts = [_column_text(column, names) for column in columns]
    content = "\n".join(map("\x1f".join, zip(*texts, strict=True)))
    became = counts(CREATED if row.before is None else CHANGED for row in touched.values())
    return append(
        session,
        actor,
        now,
        action,
        Subject(keeping.kind, f"{_key_text(first, names)} … {_key_text(last, names)}"),
        after={
            "rows": became,
            "first": _key_text(first, names),
            "last": _key_text(last, names),
            "sha256": hashlib.sha256(content.encode()).hexdigest(),
        },
    )


def _named(
    keeping: Keeping, key: Values, values: Values, names: Mapping[uuid.UUID, str]
) -> dict[str, str | None]:
    return {
        keeping.told_at.get(column, column): None if value is None else _text(value, names)
        for column, value in zip(keeping.columns, key + values, strict=True)
    }


def _key_text(key: Values, names: Mapping[uuid.UUID, str]) -> str:
    return " ".join(_text(part, names) for part in key if part is not None)


def _column_text(column: Sequence[Any], names: Mapping[uuid.UUID, str]) -> list[str]:
    """A column as `_text` writes it, without asking each value of a plain column what it is."""
    kinds = set(map(type, column)) - {type(None)}
    if len(kinds) == 1:
        kind = kinds.pop()
        if issubclass(kind, str):
            return ["" if value is None else value for value in column]
        if kind is int:
            return ["" if value is None else str(value) for value in column]
        if kind is datetime:
            return ["" if value is None else write_instant(value) for value in column]
        if kind is uuid.UUID:
            # Few objects many times over, and an id is slow to look up.
            known = {id(one): _text(one, names) for one in {id(v): v for v in column}.values()}
            return [known[id(value)] for value in column]
    return [_text(value, names) for value in column]


def _text(value: Any, names: Mapping[uuid.UUID, str]) -> str:
    if type(value) is uuid.UUID:
        return names.get(value) or str(value)
    return write_value(value)
