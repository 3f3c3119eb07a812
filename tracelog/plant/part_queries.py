"""Reads of how many mandrels, segments, pockets or fingers each station has."""

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.plant.models import Line, StationPart
from tracelog.plant.part_rules import StationPartView, station_order


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
