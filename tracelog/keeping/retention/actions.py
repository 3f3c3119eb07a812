"""Retiring a month: checked, exported, read again, and only then taken out of the table."""

import os
import uuid
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from sqlalchemy.orm import Session

from tracelog.audit import Actor, take_turn
from tracelog.errors import Conflict, TracelogError
from tracelog.keeping.retention.parquet import (
    Content,
    MonthWriter,
    content_of,
    sha256_of,
    writing_month,
)
from tracelog.keeping.retention.queries import DueMonth
from tracelog.language import _
from tracelog.plant.queries import MachineView, directory, the_plant
from tracelog.seals.actions import settle
from tracelog.seals.digests import digests_of_readings
from tracelog.strokes.hours import microseconds
from tracelog.strokes.retired import retired_until
from tracelog.strokes.retiring import Carry, MonthRows, carry_over, rows_before
from tracelog.strokes.retiring_actions import Exported, Leaving, drop_empty_parts, retire
from tracelog.strokes.rules import Whole


@dataclass(frozen=True)
class RetiredNow:
    """A month that was retired: its file with the number of readings and the SHA-256 of it."""

    month: datetime
    path: Path
    rows: int
    sha256: str


def retire_month(
    session: Session, due: DueMonth, folder: Path, actor: Actor, now: datetime
) -> RetiredNow:
    """Export a month's readings to a file, and take them out of the table.

    First all hours up to its end are counted anew and compared. The file is written beside its
    place, synced, read again and compared with the table before anything is removed. A file that
    is left behind by a run that was stopped does no harm.

    Args:
        session: an open session that writes; the caller commits.
        due: the oldest month that is not retired.
        folder: where the file is put.
        actor: who does it.
        now: the present instant, UTC.

    Raises:
        Conflict: a month that goes before this one was retired already, or another file stands
            in the way.
        TracelogError: a question about a counter is open, hours or readings are not as they
            should be, or the file cannot be written.
    """
    take_turn(session)
    settle(session)
    if due.month < retired_until(session):
        raise Conflict(_("%(month)s was retired already", month=f"{due.month:%Y-%m}"))
    carries = carry_over(session, due.ends_at)
    path = folder / due.file
    part = folder / f".{due.file}.{os.getpid()}.part"
    about = {"plant": the_plant(session).name, "month": f"{due.month:%Y-%m}", "time zone": "UTC"}
    try:
        with writing_month(part, about) as file:
            leaving = _export(session, due, carries, file)
            told = file.content
        if content_of(part) != told or told.rows != due.rows:
            raise TracelogError(
                _("%(path)s does not hold what was written to it; nothing was removed", path=part)
            )
        _put(part, path, told)
    finally:
        part.unlink(missing_ok=True)
    done = Exported(due.month, due.ends_at, path.name, told.rows, sha256_of(path))
    retire(session, done, carries, leaving, (actor, now))
    drop_empty_parts(session, due.ends_at)
    return RetiredNow(due.month, path, done.rows, done.sha256)


def _export(
    session: Session, due: DueMonth, carries: Mapping[uuid.UUID, Carry], file: MonthWriter
) -> Leaving:
    """Write the month's readings, and gather what leaves the table."""
    digests: dict[uuid.UUID, list[bytes]] = defaultdict(list)
    uncounted: dict[uuid.UUID, Whole] = {}
    machines = sorted(directory(session).bodymakers, key=lambda one: (one.line, one.number))
    for machine in machines:
        rows = rows_before(session, machine.id, due.ends_at)
        first = int(np.searchsorted(rows.read_at, microseconds(due.month)))
        file.add(
            (machine.text, machine.id),
            rows.read_at[first:],
            rows.strokes[first:],
            rows.audit_ids[first:],
        )
        carry = carries.get(machine.id)
        if carry is None:
            continue
        goes = ~np.isin(rows.read_at, carry.kept)
        _gather(digests, machine, rows, np.flatnonzero(goes))
        among = goes & (rows.read_at >= microseconds(carry.read_from))
        uncounted[machine.id] = rows.read_at[among]
    return Leaving(digests, uncounted)


def _gather(
    digests: dict[uuid.UUID, list[bytes]], machine: MachineView, rows: MonthRows, places: Whole
) -> None:
    if not len(places):
        return
    audit_ids = [rows.audit_ids[place] for place in places.tolist()]
    columns = {
        "audit_id": np.frombuffer(b"".join(one.bytes for one in audit_ids), dtype="V16"),
        "machine_id": np.frombuffer(machine.id.bytes * len(places), dtype="V16"),
        "read_at": rows.read_at[places],
        "strokes": rows.strokes[places],
    }
    for audit_id, digest in zip(audit_ids, digests_of_readings(columns), strict=True):
        digests[audit_id].append(digest)


def _put(part: Path, path: Path, told: Content) -> None:
    """Put a whole file in its place, over nothing but one that holds the same readings."""
    if path.exists() and content_of(path) != told:
        raise Conflict(
            _(
                "%(path)s is there already and holds other readings; move it away, or name another"
                " folder",
                path=path,
            )
        )
    try:
        part.replace(path)
        if hasattr(os, "O_DIRECTORY"):
            opened = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
            try:
                os.fsync(opened)
            finally:
                os.close(opened)
    except OSError as problem:
        raise TracelogError(
            _("%(path)s cannot be written: %(why)s", path=path, why=problem.strerror or problem)
        ) from problem
