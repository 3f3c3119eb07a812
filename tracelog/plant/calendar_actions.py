"""Recording what is planned, changing it, and taking it back.

What was known at an instant must stay what was known then. So a period that moves is withdrawn,
and a new one takes its place; only why it is planned is put right in the row itself.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NoReturn

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.errors import BadFact, Conflict, Fault, NotFound
from tracelog.facts import WrongField, write_value
from tracelog.instants import write_instant
from tracelog.language import _
from tracelog.outcomes import CHANGED, COMPLETED, CREATED, UNCHANGED, Outcome, refused
from tracelog.plant.batch_actions import Keeping, Values, record_rows, resolved
from tracelog.plant.calendar_facts import PlannedPeriodFact, check_length
from tracelog.plant.models import PlannedPeriod
from tracelog.plant.queries import Directory, directory

_VALUES = (
    *("kind", "line_id", "machine_id", "starts_at", "ends_at"),
    *("reason", "announced_at", "withdrawn_at", "uid"),
)
_PERIODS = Keeping(
    table=PlannedPeriod,
    kind="planned periods",
    key=("id",),
    values=_VALUES,
    among="id",
    is_setting=True,
    told_at={"line_id": "line", "machine_id": "bodymaker"},
)
# What was known of these stays on record when they change.
_WHAT_WHERE_WHEN = ("kind", "line_id", "machine_id", "starts_at", "ends_at")


@dataclass(frozen=True)
class Moved:
    """What became of a period that was changed: how, and the id of the one that stands now."""

    outcome: Outcome
    period_id: uuid.UUID


def record_planned_periods(
    session: Session, facts: Sequence[PlannedPeriodFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep planned periods; what is said of a known one replaces what was said before.

    That puts a record right. To move a period and keep what was known before, withdraw it and
    record another (`move_planned_period` does both). A withdrawal is never taken back.

    Args:
        session: an open session that writes.
        facts: the periods.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    known = directory(session)
    rows = resolved(facts, lambda fact: (fact.id, *_values_of(fact, known).values()))

    def against(_key: Values, values: Values) -> Outcome | None:
        return _contradiction(dict(zip(_VALUES, values, strict=True)), known)

    return record_rows(session, _PERIODS, rows, actor, now, names=place_names(known), guard=against)


def _contradiction(values: dict[str, Any], known: Directory) -> Outcome | None:
    """What is wrong with a row once what is new is laid over what was known."""
    machine = known.by_id.get(values["machine_id"])
    if machine is not None and machine.line_id != values["line_id"]:
        return refused(
            "line",
            _(
                "is not that of bodymaker %(machine)s, which this period is about;"
                " withdraw it and record another",
                machine=machine.text,
            ),
        )
    try:
        check_length(values["starts_at"], values["ends_at"])
    except WrongField as problem:
        return refused(problem.field, str(problem))
    announced_at, withdrawn_at = values["announced_at"], values["withdrawn_at"]
    if announced_at is not None and withdrawn_at is not None and withdrawn_at < announced_at:
        return refused(
            "withdrawn_at",
            _("is before announced_at; what is not known yet cannot be withdrawn"),
        )
    return None


def plan_periods(
    session: Session, facts: Sequence[PlannedPeriodFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Plan new periods, known from now on; the same form sent twice plans them once.

    Args:
        session: an open session that writes.
        facts: at least one; by the id of the first it is seen that they came before.
        actor: who plans them.
        now: UTC.

    Returns:
        What became of each, in order.

    Raises:
        UnknownReference: the plant has no such line or bodymaker.
        Conflict: the id of the first is that of a period that says something else.
    """
    take_turn(session)
    there = session.get(PlannedPeriod, facts[0].id, populate_existing=True)
    if there is None:
        announced = [fact.model_copy(update={"announced_at": now}) for fact in facts]
        return record_planned_periods(session, announced, actor, now)
    if _is_as_said(there, _values_of(facts[0], directory(session))):
        return [UNCHANGED] * len(facts)
    raise Conflict(_("was planned already, and says something else now; send it once more"), "id")


def withdraw_planned_period(
    session: Session, period_id: uuid.UUID, actor: Actor, now: datetime, at: datetime | None = None
) -> Outcome:
    """Take a planned period back; it stays on record as what was known until then.

    Args:
        session: an open session that writes.
        period_id: which one.
        actor: who takes it back.
        now: UTC.
        at: UTC, since when; None: now.

    Returns:
        `COMPLETED`; `UNCHANGED` if it was withdrawn before.

    Raises:
        NotFound: there is no such period.
        BadFact: `at` lies ahead, or before the period was announced; at ``withdrawn_at``.
    """
    take_turn(session)
    row = _row(session, period_id)
    if row.withdrawn_at is not None:
        return UNCHANGED
    if at is not None and at > now:
        _refuse(_("lies ahead; withdraw the period when it is known to be off"))
    if at is not None and row.announced_at is not None and at < row.announced_at:
        _refuse(
            _(
                "is before the period was announced, %(announced)s",
                announced=write_instant(row.announced_at),
            )
        )
    known = directory(session)
    before = _shown(row, known)
    row.withdrawn_at = at or max(now, row.announced_at or now)
    subject = Subject("planned periods", str(period_id))
    append(session, actor, now, "withdraw planned period", subject, before, _shown(row, known))
    session.flush()
    return COMPLETED


def withdraw_planned_periods(
    session: Session, ids: Sequence[uuid.UUID], actor: Actor, now: datetime
) -> int:
    """Take several planned periods back, with one audit record.

    Args:
        session: an open session that writes.
        ids: which ones; those that are withdrawn already, or not there, stay as they are.
        actor: who takes them back.
        now: UTC.

    Returns:
        How many were withdrawn.
    """
    take_turn(session)
    rows = (
        session.execute(
            select(PlannedPeriod)
            .where(PlannedPeriod.id.in_(ids), PlannedPeriod.withdrawn_at.is_(None))
            .order_by(PlannedPeriod.starts_at, PlannedPeriod.id)
            .execution_options(populate_existing=True)
        )
        .scalars()
        .all()
    )
    if rows:
        for row in rows:
            row.withdrawn_at = max(now, row.announced_at or now)
        first, last = rows[0], rows[-1]
        subject = Subject("planned periods", f"{first.id} … {last.id}")
        after = {
            "rows": len(rows),
            "first": _shown(first, known := directory(session)),
            "last": _shown(last, known),
            "ids": [str(row.id) for row in rows],
        }
        append(session, actor, now, "withdraw planned periods", subject, after=after)
        session.flush()
    return len(rows)


def _refuse(sentence: str) -> NoReturn:
    raise BadFact((Fault("withdrawn_at", sentence),))


def move_planned_period(
    session: Session, period_id: uuid.UUID, fact: PlannedPeriodFact, actor: Actor, now: datetime
) -> Moved:
    """Change a planned period and keep what was known of it before.

    Another kind, place or time withdraws it and makes a new one, known from now on, with the
    `id` of `fact`. Another reason alone is written into the row itself.

    Args:
        session: an open session that writes.
        period_id: the period as it was.
        fact: the period as it is to be; what it says of `announced_at`, `withdrawn_at` and `uid`
            does not matter.
        actor: who changes it.
        now: UTC.

    Raises:
        NotFound: there is no such period.
        UnknownReference: the plant has no such line or bodymaker.
        Conflict: somebody has withdrawn or moved it meanwhile.
    """
    take_turn(session)
    row = _row(session, period_id)
    known = directory(session)
    said = _values_of(fact, known)
    if row.withdrawn_at is not None:
        if _is_as_said(session.get(PlannedPeriod, fact.id), said):
            return Moved(UNCHANGED, fact.id)
        raise Conflict(
            _(
                "was withdrawn or changed by somebody at %(at)s;"
                " look at the calendar as it stands now",
                at=write_instant(row.withdrawn_at),
            ),
            "id",
        )
    before = _shown(row, known)
    told = {name: said[name] for name in (*_WHAT_WHERE_WHEN, "reason")}
    if all(getattr(row, name) == value for name, value in told.items()):
        return Moved(UNCHANGED, row.id)
    subject = Subject("planned periods", str(period_id))
    if all(getattr(row, name) == said[name] for name in _WHAT_WHERE_WHEN):
        row.reason = fact.reason
        after = _shown(row, known)
        append(session, actor, now, "change planned period", subject, before, after)
        session.flush()
        return Moved(CHANGED, row.id)
    if session.get(PlannedPeriod, fact.id) is not None:
        raise Conflict(_("is the id of another period; leave it out, or send a new one"), "id")
    since = max(now, row.announced_at or now)
    new = PlannedPeriod(id=fact.id, announced_at=since, withdrawn_at=None, uid=row.uid, **told)
    after = {"id": str(fact.id), **_shown(new, known)}
    new.audit_id = append(session, actor, now, "move planned period", subject, before, after)
    row.withdrawn_at = since
    session.add(new)
    session.flush()
    return Moved(CREATED, fact.id)


def _is_as_said(row: PlannedPeriod | None, said: dict[str, Any]) -> bool:
    return row is not None and all(
        getattr(row, name) == said[name] for name in (*_WHAT_WHERE_WHEN, "reason")
    )


def _row(session: Session, period_id: uuid.UUID) -> PlannedPeriod:
    row = session.get(PlannedPeriod, period_id, populate_existing=True)
    if row is None:
        raise NotFound(_("there is no planned period with the id %(id)s", id=period_id), "id")
    return row


def _values_of(fact: PlannedPeriodFact, known: Directory) -> dict[str, Any]:
    """The row of a fact, in order of `_VALUES`.

    Raises:
        UnknownReference: the plant has no such line or bodymaker.
    """
    line_id = None if fact.line is None else known.line(fact.line)
    machine_id = None
    if fact.line is not None and fact.bodymaker is not None:
        machine_id = known.bodymaker(fact.line, fact.bodymaker).id
    return {
        "kind": fact.kind.value,
        "line_id": line_id,
        "machine_id": machine_id,
        "starts_at": fact.starts_at,
        "ends_at": fact.ends_at,
        "reason": fact.reason,
        "announced_at": fact.announced_at,
        "withdrawn_at": fact.withdrawn_at,
        "uid": fact.uid,
    }


def place_names(known: Directory) -> dict[uuid.UUID, str]:
    """What people call the lines and machines, by their ids."""
    names = {line_id: str(line) for line, line_id in known.lines.items()}
    return names | {machine.id: machine.text for machine in known.machines.values()}


def _shown(row: PlannedPeriod, known: Directory) -> dict[str, str | None]:
    """A row as the audit trail tells it."""
    names = place_names(known)
    shown: dict[str, str | None] = {}
    for name in _VALUES:
        value = getattr(row, name)
        text = None if value is None else names.get(value) or write_value(value)
        shown[_PERIODS.told_at.get(name, name)] = text
    return shown
