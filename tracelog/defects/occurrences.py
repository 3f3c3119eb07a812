"""What was found in running production, one by one as arrays: what sequential tests rest on."""

import uuid
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.defects.models import CurrentEntry
from tracelog.defects.selecting import (
    Choice,
    EntryFilter,
    EntryKind,
    rows_as_of,
    surroundings,
    unaltered,
)

FloatArray = npt.NDArray[np.float64]
_NAMES = ("machine_id", "defect_id", "occurred_at", "logged_at", "counted_occurrences")


@dataclass(frozen=True)
class Occurrences:
    """Entries of running production whose machine is known, in order of time.

    Attributes:
        machine_ids, defects: of each entry.
        occurred_at, logged_at: seconds since 1970.
        counted: occurrences that each counts for.
    """

    machine_ids: tuple[uuid.UUID, ...]
    defects: tuple[str, ...]
    occurred_at: FloatArray
    logged_at: FloatArray
    counted: FloatArray


def occurrences(session: Session, asked: EntryFilter) -> Occurrences:
    """Entries of a filter; samples and entries of unsettled machines are left out.

    Args:
        session: an open session.
        asked: which entries; its kind does not matter.

    Returns:
        Five statements; two more with an `as_of`.
    """
    around = surroundings(session, asked.as_of)
    choice = Choice.of(replace(asked, kind=EntryKind.PRODUCTION, is_settled=True), around)
    where = [*choice.conditions(), *unaltered(asked.as_of)]
    kept = session.execute(select(*(getattr(CurrentEntry, name) for name in _NAMES)).where(*where))
    found: list[tuple[Any, ...]] = [tuple(row) for row in kept]
    found += [tuple(row[name] for name in _NAMES) for row in rows_as_of(session, choice, around)]
    found.sort(key=_order)
    codes = {one.id: one.defect for one in around.defects}
    return Occurrences(
        tuple(row[0] for row in found),
        tuple(codes[row[1]] for row in found),
        _seconds([row[2] for row in found]),
        _seconds([row[3] for row in found]),
        np.array([row[4] for row in found], dtype=np.float64),
    )


def _order(row: tuple[Any, ...]) -> tuple[Any, ...]:
    return row[2], row[0], row[1], row[3], row[4]


def _seconds(moments: list[datetime]) -> FloatArray:
    return np.array([moment.timestamp() for moment in moments], dtype=np.float64)
