"""Reads of what the record says about a defect on a machine, and the window that follows from it.

A fixed number of statements, whatever is found.
"""

import uuid
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.defects.queries import EntryFilter, EntryView, entries
from tracelog.plant.queries import MachineView, PlantView, directory, the_plant
from tracelog.plant.stays import changes_between, coil_stays, tool_stays
from tracelog.reference import (
    characteristic_named,
    characteristics,
    defect_types,
    routine_checks,
    stations,
)
from tracelog.service.queries import services_done
from tracelog.trace.rules import transit
from tracelog.trace.suspects.checks import (
    Check,
    CheckKind,
    Chosen,
    Event,
    EventKind,
    Found,
    Record,
    characteristics_that_see,
    choose,
    widest,
)
from tracelog.trends.models import Measurement

# How far back a last good check is looked for.
LOOKED_BACK = timedelta(days=28)
_MOST_ENTRIES = 5000
_MOST_VALUES = 20_000
_RUN = "run"


@dataclass(frozen=True)
class Evidence:
    """What is on record, by machine, and what it says of all machines in question.

    Attributes:
        machines: in question.
        records: by machine id.
        chosen: of all together.
        looked_back_to: nothing before it was looked at.
        is_cut: there were more entries or values than are read; the oldest are missing.
        seen_by: measured characteristics that see the defect.
    """

    machines: tuple[MachineView, ...]
    records: dict[uuid.UUID, Record]
    chosen: Chosen
    looked_back_to: datetime
    is_cut: bool
    seen_by: tuple[str, ...]


def evidence_of(
    session: Session,
    machine_ids: Sequence[uuid.UUID],
    defect: str,
    bad_at: datetime,
    as_of: datetime,
) -> Evidence:
    """Read what is on record of a defect on machines, from 28 days before a bad can until now.

    Args:
        session: an open session.
        machine_ids: machines that may have made the can; at least one.
        defect: its code.
        bad_at: UTC, when the bad can was made.
        as_of: UTC; only what was known by then.
    """
    plant, machines = the_plant(session), directory(session)
    asked = tuple(machines.by_id[one] for one in dict.fromkeys(machine_ids))
    ids = tuple(one.id for one in asked)
    start = bad_at - LOOKED_BACK
    page = entries(
        session,
        EntryFilter(start=start, end=as_of, machine_ids=ids, as_of=as_of),
        limit=_MOST_ENTRIES,
    )
    measurable = {one.characteristic for one in characteristics()}
    seen_by = characteristics_that_see(defect, routine_checks()) & measurable
    measured = _measured(session, ids, seen_by, start, as_of)
    events = _events(session, asked, page.rows, start, as_of)
    checks: dict[uuid.UUID, list[Check]] = defaultdict(list)
    found: dict[uuid.UUID, list[Found]] = defaultdict(list)
    for entry in page.rows:
        if entry.defect != defect or entry.machine_id is None:
            continue
        made = _made(entry, plant)
        if entry.inspected is not None:
            checks[entry.machine_id].append(_sample(entry, made))
        if entry.cans > 0:
            found[entry.machine_id].append(Found(*made, entry.cans, entry.inspected))
    for machine_id, more in measured.items():
        checks[machine_id] += more
    records = {
        one: Record(
            tuple(sorted(checks[one], key=lambda check: check.taken_at)),
            tuple(sorted(found[one], key=lambda bad: bad.made_from)),
            tuple(sorted(events[one], key=lambda event: event.at)),
        )
        for one in ids
    }
    return Evidence(
        asked,
        records,
        widest([choose(records[one], bad_at, as_of) for one in ids]),
        start,
        page.next_after is not None,
        tuple(sorted(seen_by)),
    )


def latest_bad(
    session: Session, machine_ids: Sequence[uuid.UUID], defect: str, as_of: datetime
) -> datetime | None:
    """When the machines last made a can that was logged with a defect; None: never."""
    page = entries(
        session,
        EntryFilter(machine_ids=tuple(machine_ids), defects=(defect,), as_of=as_of),
        limit=100,
    )
    bad = [one.occurred_at for one in page.rows if one.cans > 0]
    return max(bad) if bad else None


def _made(entry: EntryView, plant: PlantView) -> tuple[datetime, datetime]:
    """When the cans of an entry were made: behind the washer, up to the longest way before."""
    if entry.made_at is not None:
        return entry.made_at, entry.made_at
    if entry.found_at is None or entry.found_at not in _behind():
        return entry.seen_at, entry.seen_at
    _shortest, longest = transit(plant.transit_minutes)
    return entry.seen_at - longest, entry.seen_at


def _behind() -> set[str]:
    """Stations to which cans come in another order and later than they were made."""
    by_name = {one.station: one for one in stations()}
    washer = by_name.get("washer")
    if washer is None or washer.order is None:
        return set()
    return {
        one.station
        for one in by_name.values()
        if (one.order is not None and one.order >= washer.order)
        or one.kind in ("customer", "transport")
    }


def _sample(entry: EntryView, made: tuple[datetime, datetime]) -> Check:
    return Check(
        CheckKind.SAMPLE,
        entry.defect,
        entry.seen_at,
        *made,
        entry.inspected or 0,
        entry.cans,
        entry.found_at,
    )


def _measured(
    session: Session,
    machine_ids: Sequence[uuid.UUID],
    seen_by: Collection[str],
    start: datetime,
    as_of: datetime,
) -> dict[uuid.UUID, list[Check]]:
    """Measured samples against the limits to start with. One statement."""
    row = Measurement
    asked = (
        select(
            row.machine_id, row.characteristic, row.measured_at, row.subgroup, row.value, row.unit
        )
        .where(
            row.machine_id.in_(machine_ids),
            row.characteristic.in_(sorted(seen_by)),
            row.measured_at >= start,
            row.measured_at <= as_of,
        )
        .order_by(row.measured_at.desc())
        .limit(_MOST_VALUES)
    )
    taken: dict[tuple[uuid.UUID, str, str], list[tuple[datetime, float]]] = defaultdict(list)
    for found in session.execute(asked):
        known = characteristic_named(found.characteristic)
        if known is None or found.unit not in (None, known.unit):
            continue
        if known.lower is None and known.upper is None:
            continue
        together = found.subgroup or found.measured_at.isoformat()
        taken[found.machine_id, found.characteristic, together].append(
            (found.measured_at, found.value)
        )
    checks: dict[uuid.UUID, list[Check]] = defaultdict(list)
    for (machine_id, name, _together), values in taken.items():
        known = characteristic_named(name)
        assert known is not None  # noqa: S101  # others were left out above
        bad = sum(_is_outside(value, known.lower, known.upper) for _at, value in values)
        first, last = min(values)[0], max(values)[0]
        checks[machine_id].append(
            Check(CheckKind.MEASUREMENT, name, last, first, last, len(values), bad)
        )
    return checks


def _is_outside(value: float, lower: float | None, upper: float | None) -> bool:
    return (lower is not None and value < lower) or (upper is not None and value > upper)


def _events(
    session: Session,
    machines: Sequence[MachineView],
    logged: Sequence[EntryView],
    start: datetime,
    as_of: datetime,
) -> dict[uuid.UUID, list[Event]]:
    """Services, tools, coils, changes and jams of machines. Four statements."""
    ids = [one.id for one in machines]
    found: dict[uuid.UUID, list[Event]] = defaultdict(list)
    for done in services_done(session, as_of, since=start):
        found[done.machine.id].append(Event(EventKind.SERVICE, done.done_at, done.service))
    for stay in tool_stays(session, start, as_of, machine_ids=ids, as_of=as_of):
        if stay.fitted_at >= start:
            name = f"{stay.serial}, {stay.position}"
            found[stay.machine_id].append(Event(EventKind.TOOL, stay.fitted_at, name))
    on_line: dict[uuid.UUID, list[Event]] = defaultdict(list)
    for run in coil_stays(session, start, as_of, as_of=as_of):
        if run.started_at >= start:
            on_line[run.line_id].append(
                Event(EventKind.COIL, run.started_at, run.coil, is_of_line=True)
            )
    for change in changes_between(session, start, as_of):
        is_of_line = change.machine_id is None
        event = Event(EventKind.CHANGE, change.at, change.kind, is_of_line)
        if change.machine_id is None:
            on_line[change.line_id].append(event)
        else:
            found[change.machine_id].append(event)
    jams = {one.defect for one in defect_types() if one.severity == _RUN}
    for entry in logged:
        if entry.machine_id and entry.inspected is None and entry.defect in jams:
            found[entry.machine_id].append(
                Event(EventKind.JAM, entry.occurred_at, entry.defect_title)
            )
    return {one.id: [*found[one.id], *on_line[one.line_id]] for one in machines}
