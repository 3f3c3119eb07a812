"""Reads of how many mandrels, segments, pockets or fingers each station has."""

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog import reference
from tracelog.plant.models import Line, StationPart


@dataclass(frozen=True)
class StationPartView:
    """Parts of one kind of a station; `count` 0: it has none."""

    line: int
    station: str
    part: str
    count: int

    @property
    def key(self) -> tuple[int, str, str]:
        """What tells it from others."""
        return self.line, self.station, self.part


def station_order(station: str) -> tuple[int, str]:
    """Where a station stands in the process; those that nobody knows come last, by name."""
    order = {one.station: one.order for one in reference.stations()}.get(station)
    return (999 if order is None else order), station


def station_parts(session: Session, line: int | None = None) -> list[StationPartView]:
    """Parts of all stations, or of one line's, in the order of the process. One statement.

    Args:
        session: an open session.
        line: number of the line; None: of all.
    """
    asked = select(Line.line, StationPart.station, StationPart.part, StationPart.count).join(
        Line, Line.id == StationPart.line_id
    )
    if line is not None:
        asked = asked.where(Line.line == line)
    found = [StationPartView(*row) for row in session.execute(asked)]
    return sorted(found, key=lambda one: (one.line, station_order(one.station), one.part))
