"""Who records services and tools in the tests of this room's forms."""

import pytest
from sqlalchemy import Engine

from tests.support.site import Cast, Visit
from tests.trace import two_lines as plant
from tracelog.db import writing


@pytest.fixture
def planner(visit: Visit, cast: Cast, own_engine: Engine) -> Visit:
    """The planner on the plant of two lines: tool A in 1-1 ring-3, B in the tool room."""
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session)
        plant.write_levels(session)
        plant.write_tools(session, {"A": 9 * plant.MILLION, "B": None, "C": None})
        plant.fit(session, "A", "1-1", "ring-3", 0)
        plant.fit(session, "C", "2-1", "ring-3", 0)
    cast.sign_in(visit, "planner")
    visit.get("/service/record")
    return visit
