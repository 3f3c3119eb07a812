"""Reads of what was decided on jumps of counters, and of the stretches that it is about."""

import uuid
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, Uuid, func, literal, select
from sqlalchemy.orm import Session

from tracelog.bulk import rows_with
from tracelog.strokes.facts import Verdict
from tracelog.strokes.models import CounterEventRow, CounterSettlement, Reading
from tracelog.strokes.question_rules import Figures
from tracelog.strokes.retired import RETIRED_UNTIL
from tracelog.strokes.standing import is_counted, stands
from tracelog.strokes.timelines import joined

Key = tuple[uuid.UUID, datetime]
_COLUMNS = (
    CounterSettlement.machine_id,
    CounterSettlement.to_at,
    CounterSettlement.settled_at,
    CounterSettlement.verdict,
    CounterSettlement.from_at,
    CounterSettlement.strokes,
    CounterSettlement.settled_by,
    CounterSettlement.note,
)


@dataclass(frozen=True)
class Settlement:
    """What somebody decided on the reading taken at `to_at`, or on the stretch that ends there."""

    machine_id: uuid.UUID
    to_at: datetime
    settled_at: datetime
    verdict: Verdict
    from_at: datetime | None
    strokes: int | None
    settled_by: str | None
    note: str | None


@dataclass(frozen=True)
class Stretch:
    """From the reading or event before a reading to that reading, as they stand."""

    machine_id: uuid.UUID
    figures: Figures
    from_event: bool


def latest_settlements(
    session: Session, keys: Collection[Key], as_of: datetime | None = None
) -> dict[Key, Settlement]:
    """What stands of each reading (machine and instant), also where it was opened again.

    One statement for every few thousand machines.
    """
    wanted = set(keys)
    if not wanted:
        return {}
    moments = [moment for _machine, moment in wanted]
    between = (CounterSettlement.to_at, min(moments), max(moments))
    machines = (machine for machine, _moment in wanted)
    found: dict[Key, Settlement] = {}
    for row in rows_with(session, _COLUMNS, CounterSettlement.machine_id, machines, between):
        one = _settlement(row)
        key = (one.machine_id, one.to_at)
        known = as_of is None or one.settled_at <= as_of
        if key in wanted and known and (key not in found or found[key].settled_at < one.settled_at):
            found[key] = one
    return found


def _settlement(row: Any) -> Settlement:
    machine, to_at, settled_at, verdict, *rest = row
    return Settlement(machine, to_at, settled_at, Verdict(verdict), *rest)


def standing_settlements(
    session: Session,
    most: int,
    machine_id: uuid.UUID | None = None,
    as_of: datetime | None = None,
) -> list[Settlement]:
    """What stands and was not opened again, the latest decisions first. One statement.

    What was decided on readings that were retired is left out: it cannot be decided otherwise.

    Args:
        session: an open session.
        most: how many at most.
        machine_id: of one machine; None: of all.
        as_of: only what was settled by then.
    """
    asked = select(*_COLUMNS).where(
        stands(as_of),
        CounterSettlement.verdict != Verdict.OPEN.value,
        CounterSettlement.to_at >= RETIRED_UNTIL,
    )
    if machine_id is not None:
        asked = asked.where(CounterSettlement.machine_id == machine_id)
    asked = asked.order_by(
        CounterSettlement.settled_at.desc(), CounterSettlement.machine_id, CounterSettlement.to_at
    )
    return [_settlement(row) for row in session.execute(asked.limit(most))]


def history_of(session: Session, machine_id: uuid.UUID, to_at: datetime) -> list[Settlement]:
    """All that was ever decided on one reading, the latest first. One statement."""
    asked = select(*_COLUMNS).where(
        CounterSettlement.machine_id == machine_id, CounterSettlement.to_at == to_at
    )
    rows = session.execute(asked.order_by(CounterSettlement.settled_at.desc()))
    return [_settlement(row) for row in rows]


def stretches_to(
    session: Session, keys: Iterable[Key], as_of: datetime | None = None
) -> dict[Key, Stretch]:
    """The stretch that ends at each reading, whether or not that reading counts.

    Args:
        session: an open session.
        keys: machines and instants of readings.
        as_of: only what was settled by then.

    Returns:
        By machine and instant; left out where there is no such reading, or nothing before it
        that counts. Two statements for every hundred readings.
    """
    wanted = sorted(set(keys))
    starts = {
        (row[0], row[1]): row for row in joined(session, wanted, lambda key: _start(key, as_of))
    }
    figures = _figures(session, starts.values())
    found = {}
    for (machine, to_at), row in starts.items():
        to_strokes, read_at, event_at = row[2:]
        from_event = event_at is not None and (read_at is None or event_at > read_at)
        from_at = event_at if from_event else read_at
        if to_strokes is None or from_at is None:
            continue
        # Before the first reading only an event at its very instant has a say.
        if read_at is None and event_at != to_at:
            continue
        from_strokes = figures[machine, from_at, from_event]
        figures_of = Figures(from_at, to_at, from_strokes, to_strokes)
        found[machine, to_at] = Stretch(machine, figures_of, from_event)
    return found


def _start(key: Key, as_of: datetime | None) -> Select[Any]:
    """Figure at the end, last reading before it that counts, last event up to it."""
    machine, to_at = key
    mine = Reading.machine_id == machine
    figure = select(Reading.strokes).where(mine, Reading.read_at == to_at)
    read = select(func.max(Reading.read_at)).where(
        mine, Reading.read_at < to_at, is_counted(machine, as_of)
    )
    event = select(func.max(CounterEventRow.at)).where(
        CounterEventRow.machine_id == machine, CounterEventRow.at <= to_at
    )
    return select(
        literal(machine, Uuid()),
        literal(to_at, CounterSettlement.to_at.type),
        figure.scalar_subquery(),
        read.scalar_subquery(),
        event.scalar_subquery(),
    )


def _figures(session: Session, starts: Iterable[Sequence[Any]]) -> dict[tuple[Any, ...], int]:
    """Figures at the starts: by machine, instant, and whether it is an event's."""

    def query(asked: tuple[uuid.UUID, datetime, bool]) -> Any:
        machine, at, is_event = asked
        row = CounterEventRow if is_event else Reading
        column = CounterEventRow.at if is_event else Reading.read_at
        figure = CounterEventRow.strokes_after if is_event else Reading.strokes
        found = select(literal(machine, Uuid()), column, literal(is_event), figure)
        return found.where(row.machine_id == machine, column == at)

    asked = {
        (row[0], moment, is_event)
        for row in starts
        for moment, is_event in ((row[3], False), (row[4], True))
        if moment is not None
    }
    return {(row[0], row[1], bool(row[2])): row[3] for row in joined(session, sorted(asked), query)}
