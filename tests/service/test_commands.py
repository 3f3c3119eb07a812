"""`tracelog forecast`: the documented shape and order, and the answer as of an instant."""

import json
from datetime import date
from typing import Any

import pytest
from sqlalchemy import Engine

from tests.support.command import Command
from tests.support.plants import ENDS_AT
from tests.trace import two_lines as plant
from tests.trace.two_lines import hour
from tracelog.db import writing
from tracelog.instants import write_instant


def asked(command: Command, as_of: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(command("forecast", "--as-of", as_of, "--json").stdout)
    return found


@pytest.mark.small_plant
def test_the_forecast_has_the_documented_shape_and_order(command: Command) -> None:
    answer = asked(command, write_instant(ENDS_AT))
    assert answer["as_of"] == write_instant(ENDS_AT)
    rows = answer["machines"]
    assert len({(row["machine"], row["service"]) for row in rows}) == len(rows)
    assert len(rows) >= 8 * 3
    counted = [row for row in rows if row["interval_strokes"] and row["due_by"] == "strokes"]
    assert len(counted) >= 20
    for row in counted:
        early, due, late = (
            date.fromisoformat(row[name]) for name in ("due_early", "due", "due_late")
        )
        assert early <= due <= late
        assert min(row["strokes_since"], row["strokes_per_day"]) >= 0
    shares = [row["strokes_since"] / (row["interval_strokes"] or 10**12) for row in rows]
    assert shares == sorted(shares, reverse=True)
    table = command("forecast", "--as-of", write_instant(ENDS_AT)).stdout
    assert table.count(rows[0]["machine"]) >= 3
    assert str(rows[0]["due"]) in table
    assert "None" not in table


def test_the_forecast_as_of_an_instant_knows_nothing_of_later(
    command: Command, own_engine: Engine
) -> None:
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session)
        plant.write_levels(session)
    then = write_instant(hour(20 * 24))
    before = asked(command, then)
    with writing(own_engine) as session:
        plant.serve(session, "1-1", "minor", 21 * 24)
    assert asked(command, then) == before
    [row] = [
        row
        for row in asked(command, write_instant(hour(22 * 24)))["machines"]
        if (row["machine"], row["service"]) == ("1-1", "minor")
    ]
    assert (row["strokes_since"], row["since_known"]) == (24 * 12_000, True)
    assert row["strokes_per_day"] == 24 * 12_000
    assert asked(command, "2026-02-22T06:00") == before  # plant time


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_a_plant_is_needed(command: Command) -> None:
    assert "no plant yet" in command("forecast", status=1).stderr


@pytest.mark.small_plant
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_a_bad_instant_is_told(command: Command) -> None:
    said = command("forecast", "--as-of", "soon", status=2).stderr.replace("│", " ")
    assert "'soon' is not an instant" in " ".join(said.split())
