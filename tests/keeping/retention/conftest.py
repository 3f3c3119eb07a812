"""Databases with months that are old enough to go."""

import pytest
from sqlalchemy import Engine

from tests.keeping.retention.old_plant import ZONES, fill


@pytest.fixture(autouse=True)
def _without_signals(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Counters alone: signals take most of the time of a check; the small plant has them too."""
    if request.node.get_closest_marker("small_plant") is None:
        monkeypatch.setattr("tracelog.keeping.integrity.catch_up", lambda session, now: None)
        monkeypatch.setattr("tracelog.keeping.integrity.rebuild_signals", lambda session: None)


@pytest.fixture(params=ZONES)
def filled(request: pytest.FixtureRequest, own_engine: Engine) -> Engine:
    fill(own_engine, request.param)
    return own_engine


@pytest.fixture
def madrid(own_engine: Engine) -> Engine:
    fill(own_engine, "Europe/Madrid")
    return own_engine
