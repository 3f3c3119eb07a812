"""Pallets that were being filled in any of many windows of lines: how many, and the first.

A pallet that nobody reported as ended counts as being filled until so many more have begun on its
line (`stay_statements.MOST_AT_ONCE`).
"""

import uuid
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from tracelog.bulk import pieces
from tracelog.plant.models import Pallet
from tracelog.plant.stay_statements import MOST_AT_ONCE, PALLET_COLUMNS
from tracelog.plant.stays import PalletStay, pallet_stay
from tracelog.plant.stretches import Stretch, latest_begun, nearest_keys, sums_within

# Line, start and end (UTC, both included).
Window = tuple[uuid.UUID, datetime, datetime]
_KEYS_AT_ONCE = 5_000
_INSTANT = timedelta(microseconds=1)


@dataclass(frozen=True)
class PalletsWithin:
    """The first pallets, in order of time, and how many there are in all."""

    first: tuple[PalletStay, ...]
    total: int


def merged(windows: Iterable[Window]) -> list[Window]:
    """The same time of each line in as few windows as it takes, by line and time."""
    found: list[Window] = []
    for line_id, start, end in sorted(windows, key=lambda one: (one[0].int, one[1])):
        if found and found[-1][0] == line_id and start <= found[-1][2]:
            found[-1] = (line_id, found[-1][1], max(end, found[-1][2]))
        else:
            found.append((line_id, start, end))
    return found


def pallets_within(
    session: Session, windows: Iterable[Window], as_of: datetime, most: int
) -> PalletsWithin:
    """Pallets that were being filled at some instant of any window.

    Args:
        session: an open session.
        windows: any number, in any order; those of a line may overlap.
        as_of: UTC; only pallets begun by then, and ends known by then.
        most: how many at most are read.

    Returns:
        Four statements at most, one more for every further five thousand pallets.
    """
    cut = [(line, start, min(end, as_of)) for line, start, end in windows if start <= as_of]
    apart = merged(cut)
    # Begun at the very start of a window: those are among what was being filled then.
    stretches = [Stretch(line, start + _INSTANT, end + _INSTANT) for line, start, end in apart]
    counts = [row[0] for row in sums_within(session, stretches, Pallet.line_id, Pallet.started_at)]
    open_ones = _open_at_starts(session, apart, as_of)
    columns = (Pallet.line_id, Pallet.started_at, Pallet.pallet)
    keys = nearest_keys(session, stretches, counts, columns, most)
    found = {one.pallet: one for one in open_ones}
    for piece in pieces((name for _moment, name in keys), _KEYS_AT_ONCE):
        asked = select(*PALLET_COLUMNS).where(Pallet.pallet.in_(piece))
        for row in session.execute(asked):
            found[row.pallet] = pallet_stay(row, as_of)
    ordered = sorted(found.values(), key=lambda one: (one.started_at, one.pallet))
    return PalletsWithin(tuple(ordered[:most]), sum(counts) + len(open_ones))


def _open_at_starts(
    session: Session, windows: Sequence[Window], as_of: datetime
) -> list[PalletStay]:
    """Pallets that were being filled when a window began, and began in no other window."""
    edges: dict[uuid.UUID, tuple[list[datetime], list[datetime]]] = defaultdict(lambda: ([], []))
    for line_id, start, end in windows:
        edges[line_id][0].append(start)
        edges[line_id][1].append(end)
    found: dict[str, PalletStay] = {}
    begun = latest_begun(
        session,
        [(line_id, start) for line_id, start, _end in windows],
        owner=Pallet.line_id,
        moment=Pallet.started_at,
        columns=PALLET_COLUMNS,
        most=MOST_AT_ONCE,
        is_taken=_is_filled_at,
    )
    for row in begun:
        starts, ends = edges[row.line_id]
        # The window that began last before it holds it, or none does.
        place = bisect_left(starts, row.started_at) - 1
        if place < 0 or row.started_at > ends[place]:
            found[row.pallet] = pallet_stay(row, as_of)
    return list(found.values())


def _is_filled_at(moment: Any) -> Any:
    """A condition: a pallet that had begun by then had not ended before."""
    return or_(Pallet.ended_at.is_(None), Pallet.ended_at >= moment)
