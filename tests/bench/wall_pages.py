"""Screens on the wall, by their secret addresses: made when they are looked at."""

from sqlalchemy import Engine

from tests.support.site import CAST
from tracelog.db import writing
from tracelog.instants import now
from tracelog.plant.queries import directory
from tracelog.wall.actions import make_screen


def wall_addresses(engine: Engine) -> dict[str, str]:
    """A screen of the plant and one of a line, by their secret addresses."""
    with writing(engine) as session:
        lines = directory(session).lines
        actor = CAST["administrator"].actor()
        plant = make_screen(session, "Bench, plant", None, None, actor, now())
        line = make_screen(session, "Bench, line", lines[min(lines)], None, actor, now())
    return {
        "Wall: the plant": f"/wall/{plant}",
        "Wall: a line": f"/wall/{line}",
        "Wall: news as an event": f"/wall/{line}/events",
        "Wall: news": f"/wall/{line}/state",
    }
