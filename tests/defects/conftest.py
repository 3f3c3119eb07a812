"""Fixtures of the Log pages' tests."""

import pytest
from sqlalchemy import Engine

from tests.defects.log_site import LogSite
from tests.defects.small_plant import write_plant
from tests.support.site import Cast, Visit
from tracelog.db import writing


@pytest.fixture
def log_site(visit: Visit, cast: Cast, own_engine: Engine) -> LogSite:
    """The Log pages on the hand-made plant, on a database of the test's own; an operator is in."""
    with writing(own_engine) as session:
        write_plant(session)
    cast.sign_in(visit, "operator")
    visit.get("/log")
    return LogSite(visit, own_engine)
