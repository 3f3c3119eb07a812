"""Which settlements stand: of those about one reading, the latest.

As conditions of statements, since they decide which readings count wherever readings are read.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, exists, select
from sqlalchemy.orm import InstrumentedAttribute, aliased

from tracelog.strokes.facts import Verdict
from tracelog.strokes.models import CounterSettlement, Reading


def stands(as_of: datetime | None = None) -> ColumnElement[bool]:
    """Whether a settlement is the latest about its reading, or was at `as_of`."""
    later = aliased(CounterSettlement)
    same = and_(
        later.machine_id == CounterSettlement.machine_id,
        later.to_at == CounterSettlement.to_at,
        later.settled_at > CounterSettlement.settled_at,
    )
    if as_of is None:
        return ~exists().where(same).correlate(CounterSettlement)
    known = CounterSettlement.settled_at <= as_of
    return known & ~exists().where(same, later.settled_at <= as_of).correlate(CounterSettlement)


def misread(machine: Any, as_of: datetime | None = None) -> Select[datetime]:
    """Instants of the readings of `machine` (a value, or a column) that were found misread."""
    return select(CounterSettlement.to_at).where(
        CounterSettlement.machine_id == machine,
        CounterSettlement.verdict == Verdict.MISREAD.value,
        stands(as_of),
    )


def is_counted(machine: Any, as_of: datetime | None = None, of: Any = Reading) -> Any:
    """Whether a reading of `machine` counts: nobody found it misread, or had at `as_of`.

    `of` is the table of readings, or an alias of it.
    """
    found = misread(machine, as_of)
    if isinstance(machine, InstrumentedAttribute):
        found = found.correlate(machine.class_)
    return of.read_at.not_in(found)
