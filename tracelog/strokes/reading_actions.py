"""Writes of readings: the one place at which readings come into the table, few or many."""

import hashlib
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append
from tracelog.bulk import Ids, insert_columns
from tracelog.instants import write_instant
from tracelog.plant.queries import Directory, MachineView
from tracelog.strokes.hour_actions import derive_touched
from tracelog.strokes.hours import instant
from tracelog.strokes.models import Reading
from tracelog.strokes.partition_actions import make_parts
from tracelog.strokes.partitions import months_of
from tracelog.strokes.reading_columns import written_instants
from tracelog.strokes.rules import Whole
from tracelog.strokes.timelines import Ends, Shown


@dataclass(frozen=True)
class FreshReadings:
    """Readings that are not on record yet, in order of line, bodymaker and instant.

    Attributes:
        machines: bodymakers.
        which: place among them of each reading's bodymaker.
        read_at: microseconds since 1970, UTC.
        strokes: the counter's figures.
    """

    machines: Sequence[MachineView]
    which: Whole
    read_at: Whole
    strokes: Whole

    def __len__(self) -> int:
        return len(self.read_at)

    def by_machine(self) -> dict[uuid.UUID, Shown]:
        """What each bodymaker's counter showed, in order of time."""
        places = range(len(self.machines) + 1)
        cuts = np.searchsorted(self.which, np.array(places)).tolist()
        return {
            machine.id: Shown(self.read_at[start:end], self.strokes[start:end])
            for machine, start, end in zip(self.machines, cuts, cuts[1:], strict=False)
            if start < end
        }


def write_readings(
    session: Session,
    fresh: FreshReadings,
    became: Mapping[str, int],
    ends: Ends,
    known: Directory,
    who: tuple[Actor, datetime],
) -> None:
    """Write readings with their audit record, and count anew the strokes that this changes.

    Args:
        session: an open session that writes and has its turn; the caller commits.
        fresh: at least one reading, none of which is on record.
        became: how many of the readings that came with them became what.
        ends: first and last reading on record of each of the machines.
        known: the directory.
        who: who reports them, and when, UTC.
    """
    audit_id = _audit(session, fresh, became, who)
    make_parts(session.connection(), months_of(fresh.read_at))
    insert_columns(
        session,
        Reading,
        {
            "machine_id": Ids([machine.id for machine in fresh.machines], fresh.which),
            "read_at": fresh.read_at,
            "strokes": fresh.strokes,
            "audit_id": Ids([audit_id], np.zeros(len(fresh), dtype=np.int64)),
        },
    )
    shown = fresh.by_machine()
    touched = {
        machine: (instant(int(one.read_at[0])), instant(int(one.read_at[-1])))
        for machine, one in shown.items()
    }
    appended = {
        machine: one
        for machine, one in shown.items()
        if machine not in ends or ends[machine][1] < touched[machine][0]
    }
    derive_touched(session, touched, known, appended)


def _audit(
    session: Session,
    fresh: FreshReadings,
    became: Mapping[str, int],
    who: tuple[Actor, datetime],
) -> uuid.UUID:
    """Leave the record of a write: the reading itself, or what tells many of them."""
    actor, now = who
    first, last = (
        f"{fresh.machines[fresh.which[end]].text} {write_instant(instant(int(fresh.read_at[end])))}"
        for end in (0, -1)
    )
    if len(fresh) == 1:
        machine = fresh.machines[fresh.which[0]]
        told: dict[str, Any] = {"line": machine.line, "bodymaker": machine.number}
        told |= {"read_at": instant(int(fresh.read_at[0])), "strokes": int(fresh.strokes[0])}
        return append(session, actor, now, "record reading", Subject("reading", first), None, told)
    after = {
        "counts": dict(became),
        "first": first,
        "last": last,
        "earliest": write_instant(instant(int(fresh.read_at.min()))),
        "sha256": _digest(fresh),
    }
    name = f"{len(fresh)} from {first} to {last}"
    return append(session, actor, now, "record readings", Subject("reading", name), None, after)


def _digest(fresh: FreshReadings) -> str:
    """SHA-256 of the readings as rows of text: machine, instant and figure with commas between."""
    texts = np.array([machine.text for machine in fresh.machines], dtype=object)
    columns = (
        texts[fresh.which].tolist(),
        written_instants(fresh.read_at),
        map(str, fresh.strokes.tolist()),
    )
    rows = "\n".join(map(",".join, zip(*columns, strict=True)))
    return hashlib.sha256(rows.encode()).hexdigest()
