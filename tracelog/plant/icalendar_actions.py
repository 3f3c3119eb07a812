"""Taking a calendar file over into the calendar."""

import hashlib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast
from uuid import UUID

from sqlalchemy import Table, bindparam, update
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.bulk import insert_rows
from tracelog.db import new_id
from tracelog.facts import write_value
from tracelog.plant.calendar import periods_of_events
from tracelog.plant.calendar_rules import PlannedPeriodView
from tracelog.plant.icalendar_events import CalendarContent
from tracelog.plant.icalendar_matching import (
    ImportChoice,
    ImportStep,
    StepKind,
    WantedPeriod,
    import_steps,
    key_of,
    wanted_periods,
)
from tracelog.plant.models import PlannedPeriod
from tracelog.plant.queries import Directory, directory

_WRITES = frozenset({StepKind.ADDED, StepKind.REWORDED, StepKind.MOVED, StepKind.WITHDRAWN})


@dataclass(frozen=True)
class ImportedCalendar:
    """What an import of a calendar file did, or would do.

    Attributes:
        steps: in order of the file, then what was withdrawn because it is no longer there.
        without_length: events that have no length and were left out.
        faults: one sentence for each event that cannot be taken; if there is one, nothing was
            written.
        is_kept: whether anything was written.
    """

    steps: tuple[ImportStep, ...] = ()
    without_length: int = 0
    faults: tuple[str, ...] = ()
    is_kept: bool = False

    @property
    def counts(self) -> dict[str, int]:
        """How many events or rows became what, the usual ones first."""
        found = Counter(step.kind for step in self.steps)
        return {kind.value: found[kind] for kind in StepKind if found[kind]}


def import_calendar(
    session: Session,
    content: CalendarContent,
    choice: ImportChoice,
    actor: Actor,
    now: datetime,
    *,
    dry_run: bool = False,
) -> ImportedCalendar:
    """Take the events of a calendar file over: all of them, or none if one is wrong.

    The same file again changes nothing. A moved event is withdrawn as it was and made anew; what
    was withdrawn here stays so, unless the file has changed it since. One audit record.

    Args:
        session: an open session that writes.
        content: the events, as `read_calendar_apart` read them for the same time.
        choice: time, place, kind, and what to do with what is not in the file.
        actor: who imports.
        now: UTC.
        dry_run: only say what would be done.

    Raises:
        UnknownReference: the chosen place is not in the plant; at ``line`` or ``bodymaker``.
    """
    take_turn(session)
    known = directory(session)
    scope = _scope(choice, known)
    wanted, faults = wanted_periods(content, choice, known)
    if faults:
        return ImportedCalendar(without_length=content.without_length, faults=tuple(faults))
    rows = periods_of_events(session, [one.key for one in wanted], choice.start, choice.end)
    steps = tuple(import_steps(wanted, rows, content.uids, choice, scope, now))
    writes = [step for step in steps if step.kind in _WRITES]
    done = ImportedCalendar(steps, content.without_length, (), bool(writes) and not dry_run)
    if done.is_kept:
        _write(session, writes, actor, now)
    return done


def _scope(choice: ImportChoice, known: Directory) -> tuple[UUID | None, UUID | None]:
    place = choice.place
    if place is None or place.line is None:
        return None, None
    line_id = known.line(place.line)
    if place.bodymaker is None:
        return line_id, None
    return line_id, known.bodymaker(place.line, place.bodymaker).id


def _write(session: Session, steps: Sequence[ImportStep], actor: Actor, now: datetime) -> None:
    counts = Counter(step.kind.value for step in steps)
    content = "\n".join(map(_line_of, steps))
    subject = Subject("planned periods", f"{len(steps)} events of a calendar file")
    digest = hashlib.sha256(content.encode()).hexdigest()
    after = {"rows": dict(counts), "sha256": digest}
    audit_id = append(session, actor, now, "import calendar", subject, after=after)
    _update(
        session,
        "withdrawn_at",
        [
            (step.old, step.since)
            for step in steps
            if step.kind in (StepKind.MOVED, StepKind.WITHDRAWN)
        ],
    )
    _update(
        session,
        "reason",
        [
            (step.old, step.new.reason)
            for step in steps
            if step.kind is StepKind.REWORDED and step.new is not None
        ],
    )
    new = [
        {**_row_of(step.new), "announced_at": step.since, "audit_id": audit_id}
        for step in steps
        if step.kind in (StepKind.ADDED, StepKind.MOVED) and step.new is not None
    ]
    insert_rows(session, PlannedPeriod, new)
    session.expire_all()


def _row_of(period: WantedPeriod) -> dict[str, Any]:
    return {
        "id": new_id(),
        "kind": period.kind.value,
        "line_id": period.line_id,
        "machine_id": period.machine_id,
        "starts_at": period.starts_at,
        "ends_at": period.ends_at,
        "reason": period.reason,
        "withdrawn_at": None,
        "uid": period.key,
    }


def _update(
    session: Session, column: str, values: Iterable[tuple[PlannedPeriodView | None, Any]]
) -> None:
    rows = [{"row_id": old.id, "value": value} for old, value in values if old is not None]
    if rows:
        table = cast(Table, PlannedPeriod.__table__)
        change = update(table).where(table.c.id == bindparam("row_id"))
        session.connection().execute(change.values({column: bindparam("value")}), rows)


def _line_of(step: ImportStep) -> str:
    """What the digest of the audit record is made of, one line for each step."""
    one = step.new or step.old
    key = step.new.key if step.new else key_of(step.old) if step.old else ""
    parts = [step.kind.value, key, *(str(getattr(one, name)) for name in ("line_id", "machine_id"))]
    parts += [write_value(getattr(one, name)) for name in ("kind", "starts_at", "ends_at")]
    return "\x1f".join([*parts, write_value(step.since)])
