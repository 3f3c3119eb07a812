"""Reads of the way through the line: cans whose making is known, and what they teach."""

import uuid
from collections.abc import Collection
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import Select, bindparam, literal_column, select, union_all
from sqlalchemy.orm import Session

from tracelog.db import UtcInstant
from tracelog.db_time import MinutesBetween
from tracelog.defects.models import CurrentEntry, EntryCorrection
from tracelog.plant.queries import PlantView
from tracelog.trace.transit import Way, usual_way
from tracelog.trace.transit_learning import Delay, learned_way_to, learned_ways

# The latest cans of a line; more would tell of a line as it was long ago.
MOST_CANS = 500


def ways(
    session: Session, plant: PlantView, line_ids: Collection[uuid.UUID], as_of: datetime
) -> dict[uuid.UUID, Way]:
    """How long cans take to the palletiser, of each line.

    One statement.

    Args:
        session: an open session.
        plant: for its own minutes, which limit what is learned.
        line_ids: which lines.
        as_of: UTC; only what was known by then.

    Returns:
        Learned from entries that say when and where; where there are none, the plant's minutes.
    """
    usual = usual_way(plant.transit_minutes)
    found = learned_ways(known_delays(session, line_ids, as_of), usual)
    return {line: found[line] for line in dict.fromkeys(line_ids)}


def ways_to(
    session: Session,
    plant: PlantView,
    line_ids: Collection[uuid.UUID],
    station: str | None,
    as_of: datetime,
) -> dict[uuid.UUID, Way]:
    """How long cans take to a station, of each line; arguments and statement as `ways`.

    `station` None: it is not known where the can was.
    """
    usual = usual_way(plant.transit_minutes)
    delays = known_delays(session, line_ids, as_of)
    found = learned_ways(delays, usual)
    everywhere = [one for each in delays.values() for one in each]
    return {line: learned_way_to(station, everywhere, found[line]) for line in delays}


def known_delays(
    session: Session, line_ids: Collection[uuid.UUID], as_of: datetime
) -> dict[uuid.UUID, list[Delay]]:
    """The latest entries of each line that say when the can was made and where it was seen.

    One statement; entries corrected since `as_of` are left out.
    """
    delays: dict[uuid.UUID, list[Delay]] = {line: [] for line in dict.fromkeys(line_ids)}
    if not delays:
        return delays
    lines = list(delays)
    given = {f"line_{place}": line for place, line in enumerate(lines)} | {"as_of": as_of}
    for place, found_at, minutes in session.execute(_latest_of(len(lines)), given):
        delays[lines[place]].append(Delay(found_at, minutes))
    return delays


@cache
def _latest_of(lines: int) -> Any:
    """The statement of so many lines, made once: `line_0` and on, and `as_of` are left open."""
    return union_all(*(select(_latest(place).subquery()) for place in range(lines)))


def _latest(place: int) -> Select[Any]:
    """The latest entries of a line, named by its place, that say when the can was made.

    Twice as many are taken in order of the index as are wanted, and those that were not known then
    are left out of them: a planner that weighs all conditions at once reads every such entry.
    """
    as_of = bindparam("as_of", type_=UtcInstant())
    taken = (
        select(
            *(CurrentEntry.entry_id, CurrentEntry.made_at),
            *(CurrentEntry.seen_at, CurrentEntry.found_at, CurrentEntry.logged_at),
            CurrentEntry.occurred_at,
        )
        .where(
            # Said that it is not null as well, planners count that twice and expect next to none.
            CurrentEntry.line_id == bindparam(f"line_{place}"),
            CurrentEntry.made_at <= as_of,
        )
        .order_by(CurrentEntry.made_at.desc())
        .limit(2 * MOST_CANS)
        .subquery()
    )
    corrected = select(EntryCorrection.entry_id).where(EntryCorrection.corrected_at > as_of)
    named: Any = literal_column(str(place)).label("place")
    return (
        select(named, taken.c.found_at, MinutesBetween(taken.c.made_at, taken.c.seen_at))
        .where(
            taken.c.found_at.is_not(None),
            taken.c.logged_at <= as_of,
            taken.c.occurred_at <= as_of,
            taken.c.entry_id.not_in(corrected),
        )
        .order_by(taken.c.made_at.desc())
        .limit(MOST_CANS)
    )
