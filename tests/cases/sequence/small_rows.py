"""Rows of cans and the counts of a line, as tests of the sequence check use them."""

from sqlalchemy.orm import Session

from tests.defects.small_plant import ACTOR, WRITTEN_AT, write_plant
from tests.support.recorded import recorded
from tracelog.plant.part_actions import record_station_parts
from tracelog.plant.part_facts import StationPartFact
from tracelog.plant.part_rules import StationPartView

COUNTS = (
    ("cupper", "pocket", 12),
    ("bodymaker", "finger", 12),
    ("decorator", "mandrel", 24),
    ("decorator", "segment", 8),
    ("necker", "pocket", 12),
    ("flanger", "pocket", 12),
    ("reformer", "pocket", 0),
    ("light-tester", "pocket", 24),
)
PARTS = tuple(StationPartView(1, *one) for one in COUNTS)


def every(number: int, cans: int, place: int) -> str:
    """A row in which the cans of one place are bad; `place` from 0."""
    return "".join("b" if at % number == place else "g" for at in range(cans))


@recorded
def write_line(session: Session) -> None:
    """The small plant, with the counts of line 1."""
    write_plant(session)
    facts = [
        StationPartFact(line=1, station=station, part=part, count=count)
        for station, part, count in COUNTS
    ]
    assert all(one.is_kept for one in record_station_parts(session, facts, ACTOR, WRITTEN_AT))
