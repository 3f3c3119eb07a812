"""Recording how many mandrels, segments, pockets or fingers a station has."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.audit import Actor, take_turn
from tracelog.errors import Conflict
from tracelog.language import _
from tracelog.outcomes import Outcome
from tracelog.plant.batch_actions import Keeping, Values, record_rows, resolved
from tracelog.plant.models import StationPart
from tracelog.plant.part_facts import StationPartFact
from tracelog.plant.part_queries import station_parts
from tracelog.plant.queries import directory

_PARTS = Keeping(
    table=StationPart,
    kind="station parts",
    key=("line_id", "station", "part"),
    values=("count",),
    among="line_id",
    is_setting=True,
    told_at={"line_id": "line"},
)


def record_station_parts(
    session: Session, facts: Sequence[StationPartFact], actor: Actor, now: datetime
) -> list[Outcome]:
    """Keep how many parts stations have; what is said of a known one replaces what was said.

    Args:
        session: an open session that writes.
        facts: line, station, part and count of each.
        actor: who reports them.
        now: UTC.

    Returns:
        What became of each, in order.
    """
    known = directory(session)

    def row_of(fact: StationPartFact) -> Values:
        return (known.line(fact.line), fact.station, fact.part, fact.count)

    names = {line_id: str(line) for line, line_id in known.lines.items()}
    return record_rows(session, _PARTS, resolved(facts, row_of), actor, now, names=names)


def set_station_part(
    session: Session, fact: StationPartFact, seen: int | None, actor: Actor, now: datetime
) -> Outcome:
    """Set one count, by somebody who saw how it stood.

    Args:
        session: an open session that writes.
        fact: what it shall be.
        seen: the count that the page showed; None: it showed none.
        actor: who sets it.
        now: UTC.

    Raises:
        Conflict: somebody else has set it meanwhile to something else.
    """
    take_turn(session)
    standing = next((one for one in station_parts(session) if one.key == fact.key), None)
    count = None if standing is None else standing.count
    if count not in (seen, fact.count):
        raise Conflict(
            _(
                "somebody else has set it to %(count)d meanwhile; look at it again, then set it",
                count=count or 0,
            ),
            "count",
        )
    (outcome,) = record_station_parts(session, [fact], actor, now)
    return outcome
