"""Writes of the tallies, always within the write of the entries that they add up."""

import uuid
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from itertools import islice
from typing import Any, cast
from zoneinfo import ZoneInfo

from sqlalchemy import Table, bindparam, delete, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from tracelog.bulk import insert_tuples
from tracelog.defects.models import CurrentEntry, EntryTally
from tracelog.defects.tallies.rules import KEY, MEASURES, Key, Sums, changed
from tracelog.plant.queries import the_zone

# What an entry says that is tallied.
_SAID = ("machine_id", "defect_id", "inspected", "occurred_at", "counted_occurrences", "cans")
_AT_ONCE = 20_000


def standing_rows(session: Session, entry_ids: Sequence[uuid.UUID]) -> list[dict[str, Any]]:
    """What tallies hold of entries as they stand now. One statement."""
    asked = select(*(getattr(CurrentEntry, name) for name in _SAID)).where(
        CurrentEntry.entry_id.in_(entry_ids)
    )
    return [dict(zip(_SAID, row, strict=True)) for row in session.execute(asked)]


def retally(
    session: Session,
    before: Iterable[Mapping[str, Any]],
    after: Sequence[Mapping[str, Any]],
    zone: ZoneInfo | None = None,
) -> None:
    """Bring tallies up to date after entries were written.

    One statement, and one for the zone; another one where something was taken away.

    Args:
        session: an open session that writes, and whose turn it is.
        before: the entries as they stood, of `standing_rows`; nothing for new ones.
        after: as they stand now.
        zone: the plant's, for who knows it; None: it is read.
    """
    rows = [row for row in before if row["machine_id"] is not None]
    if not rows and all(row["machine_id"] is None for row in after):
        return
    _add(session, changed(rows, after, zone or the_zone(session)))


def _add(session: Session, changes: Mapping[Key, Sums]) -> None:
    if not changes:
        return
    table = cast(Table, EntryTally.__table__)
    # What two writers do comes in one order, so that neither waits for the other in a circle.
    ordered = sorted(changes.items(), key=lambda one: (one[0][4], *map(str, one[0][:4])))
    rows = [dict(zip((*KEY, *MEASURES), (*key, *sums), strict=True)) for key, sums in ordered]
    connection = session.connection()
    connection.execute(_adding(connection.dialect.name), rows)
    emptied = [dict(zip(_bound(), key, strict=True)) for key, sums in ordered if sums[0] <= 0]
    if emptied:
        same = [table.c[name] == bindparam(f"old_{name}") for name in KEY]
        connection.execute(delete(table).where(*same, table.c.entries == 0), emptied)


@cache
def _adding(dialect_name: str) -> Any:
    """The statement that adds to tallies, those among them that are not there yet."""
    table = cast(Table, EntryTally.__table__)
    dialect: Any = sqlite if dialect_name == "sqlite" else postgresql
    insert = dialect.insert(table)
    more = {name: table.c[name] + insert.excluded[name] for name in MEASURES}
    return insert.on_conflict_do_update(index_elements=KEY, set_=more)


def _bound() -> list[str]:
    return [f"old_{name}" for name in KEY]


def rebuild_tallies(session: Session) -> None:
    """Add everything up anew from the entries as they stand, machine by machine."""
    session.execute(delete(EntryTally).execution_options(synchronize_session=False))
    # Ids of machines, each found from the one before: as quick as there are machines.
    machine = _next_machine(session, None)
    zone = the_zone(session) if machine else None
    while machine and zone:
        _tally_machine(session, machine, zone)
        machine = _next_machine(session, machine)


def _next_machine(session: Session, last: uuid.UUID | None) -> uuid.UUID | None:
    asked = select(CurrentEntry.machine_id).where(CurrentEntry.machine_id.is_not(None))
    if last is not None:
        asked = asked.where(CurrentEntry.machine_id > last)
    return session.execute(asked.order_by(CurrentEntry.machine_id).limit(1)).scalar()


def _tally_machine(session: Session, machine: uuid.UUID, zone: ZoneInfo) -> None:
    total: dict[Key, Sums] = {}
    asked = select(*(getattr(CurrentEntry, name) for name in _SAID)).where(
        CurrentEntry.machine_id == machine
    )
    rows = iter(session.execute(asked, execution_options={"stream_results": True}))
    while some := [dict(zip(_SAID, row, strict=True)) for row in islice(rows, _AT_ONCE)]:
        for key, sums in changed((), some, zone).items():
            known = total.setdefault(key, [0] * len(sums))
            for place, value in enumerate(sums):
                known[place] += value
    insert_tuples(
        session, EntryTally, (*KEY, *MEASURES), [(*key, *sums) for key, sums in total.items()]
    )
