"""On which pallets a can may lie, and how likely each."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from tracelog.plant.queries import PlantView
from tracelog.plant.stays import PalletStay, pallet_stays
from tracelog.trace.holds.queries import as_held, held_pallets
from tracelog.trace.rules import Made
from tracelog.trace.transit import Way, shares_of_pallets
from tracelog.trace.transit_queries import ways

MOST_PALLETS = 500
_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True)
class LaidOn:
    """A pallet on which the can may lie, and the chance that it does.

    `probability` is None where the line is not known; `holds` are the numbers of the holds in
    which the pallet is.
    """

    stay: PalletStay
    probability: float | None
    holds: tuple[int, ...] = ()


@dataclass(frozen=True)
class Laid:
    """Pallets in order of time, and what says how long the way takes (None: not asked)."""

    pallets: tuple[LaidOn, ...] = ()
    way: Way | None = None

    @property
    def elsewhere(self) -> float | None:
        """Chance that the can lies on none of them; None without a way."""
        if self.way is None:
            return None
        return max(0.0, 1.0 - sum(one.probability or 0.0 for one in self.pallets))


def laid_on(
    session: Session, made: Made, line_id: uuid.UUID | None, plant: PlantView, as_of: datetime
) -> Laid:
    """Pallets of a line that a can made then may have reached, each with its chance.

    Three statements, one of which tells the line's way; none where the line is not known.
    """
    if line_id is None:
        return Laid()
    way = ways(session, plant, [line_id], as_of)[line_id]
    first = made.start + float(way.edges[0]) * _MINUTE
    last = made.end + float(way.edges[-1]) * _MINUTE
    stays = pallet_stays(session, first, last, line_id=line_id, as_of=as_of, most=MOST_PALLETS)
    held = held_pallets(session, as_of)
    stays = as_held(stays, held)
    return Laid(with_chances(stays, made, way, as_of, held), way)


def with_chances(
    stays: Sequence[PalletStay],
    made: Made,
    way: Way,
    as_of: datetime,
    held: Mapping[str, tuple[int, ...]],
) -> tuple[LaidOn, ...]:
    """Pallets of one line with their chances and the holds that hold them.

    One that is not ended is being filled still.
    """
    fillings = [
        (one.started_at, max(one.ended_at or as_of, one.started_at + timedelta(seconds=1)))
        for one in stays
    ]
    chances = shares_of_pallets(way, (made.start, made.end), fillings)
    return tuple(
        LaidOn(stay, float(chance), held.get(stay.pallet, ()))
        for stay, chance in zip(stays, chances, strict=True)
    )
