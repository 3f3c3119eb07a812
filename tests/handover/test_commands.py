"""The command `tracelog handover`: a shift and a week, as text and as JSON."""

import json

import pytest

from tests.handover.small_shifts import DAY_STARTS_AT, HOUR, log, write_plant
from tests.support.command import Command
from tracelog.db import make_engine, writing


@pytest.fixture
def _filled(database_url: str) -> None:
    engine = make_engine(database_url)
    with writing(engine) as session:
        write_plant(session)
        log(session, "1-1", [DAY_STARTS_AT + HOUR], cans="7")
    engine.dispose()


@pytest.mark.usefixtures("_filled")
def test_a_shift_is_told(command: Command) -> None:
    told = json.loads(command("handover", "--shift", "2026-03-04T12:00", "--json").stdout)
    assert (told["shift"], told["signed"]["state"]) == ("day", "not signed")
    assert [one["cans"] for one in told["lines"]] == [7, 0]
    text = command("handover", "--shift", "2026-03-04T12:00").stdout
    assert "day shift of 2026-03-04, crew A, 2026-03-04 06:00 to 2026-03-04 18:00" in text
    assert "Line 1" in text


@pytest.mark.usefixtures("_filled")
def test_a_week_is_told(command: Command) -> None:
    told = json.loads(command("handover", "--week", "2026-03-04", "--json").stdout)
    assert (told["monday"], told["lines"][0]["cans"]) == ("2026-03-02", 7)
    assert "nothing changed beyond chance" in command("handover", "--week", "2026-03-04").stdout
