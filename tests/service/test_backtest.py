"""The back-test: what it says, what it knows, and how forecasts do on simulated plants."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from seed_demo.folder import write_folder
from seed_demo.simulate import simulate
from seed_demo.sizes import TIME_ZONE, PlantSize
from tests.support.command import Command
from tests.support.plants import import_plant
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.db import make_engine, reading, upgrade, writing
from tracelog.service.backtest import Case, scores
from tracelog.service.replaying import backtest

SIZE = PlantSize(lines=2, bodymakers=5, days=280, pallet_days=0)
SEEDS = (201, 202, 203, 204)
# Only what forecasts rest on; the rest of the plant folder would only take time.
RESTS_ON = {
    *("plant.toml", "lines.csv", "machines.csv", "readings.csv", "counter_events.csv"),
    *("service_levels.csv", "services.csv", "planned_periods.csv", "dome_codes.csv"),
}


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> list[Case]:
    """What came of all forecasts on simulated plants of several seeds."""
    found: list[Case] = []
    for seed in SEEDS:
        found += _cases_of(seed, tmp_path_factory.mktemp("plant"))
    return found


def _cases_of(seed: int, place: Path) -> list[Case]:
    write_folder(simulate(SIZE, seed), place / "plant")
    for path in (place / "plant").iterdir():
        if path.name not in RESTS_ON:
            path.unlink()
    engine = make_engine(f"sqlite:///{place / 'tracelog.db'}")
    upgrade(engine)
    import_plant(engine, place / "plant")
    ends_at = datetime.combine(SIZE.ends_on, SIZE.ends_at, ZoneInfo(TIME_ZONE)).astimezone(UTC)
    with reading(engine) as session:
        found = backtest(session, ends_at)
    engine.dispose()
    return found


@pytest.mark.parametrize("days", [7, 14, 30, 60, 90])
def test_intervals_hold_eight_in_ten_dates_and_errors_are_below_the_naive(
    cases: list[Case], days: int
) -> None:
    """On four plants of ten machines."""
    [score] = [one for one in scores(cases) if one.group == f"{days} days"]
    assert score.count > 600
    assert 0.75 <= score.coverage <= 0.85
    assert score.ratio <= 0.8


def test_services_come_true_as_well(cases: list[Case]) -> None:
    found = {one.group: one for one in scores(cases) if "days" not in one.group}
    assert {"medium", "major"} <= set(found)
    for level in ("medium", "major"):
        assert 0.7 <= found[level].coverage <= 0.9, level
        assert found[level].ratio <= 0.8, level


def test_misses_lie_on_both_sides(cases: list[Case]) -> None:
    for days in (14, 30):
        own = [case for case in cases if case.group == f"{days} days"]
        early = np.mean([case.missed < 0 for case in own])
        late = np.mean([case.missed > 0 for case in own])
        assert 0.02 < early < 0.18
        assert 0.02 < late < 0.18


def test_a_steady_plant_is_foretold_to_the_day(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session, 24 * 120)
    plant.write_levels(session)
    found = {one.group: one for one in scores(backtest(session, hour(24 * 120)))}
    for days in (7, 14, 30):
        one = found[f"{days} days"]
        assert one.coverage == 1
        assert one.error < 0.5  # within a day it knows no hour
        assert one.error_week < 0.1
        assert one.error_rated is None  # no rated speed is known


def test_a_short_history_is_not_tested(session: Session) -> None:
    plant.write_plant(session)
    assert backtest(session, hour(0)) == []
    plant.write_readings(session)
    plant.write_levels(session)
    assert backtest(session, hour(HOURS)) == []


def test_what_came_after_an_origin_changes_no_forecast_of_it(session: Session) -> None:
    """A later service is no news to an earlier origin: errors stay where they were."""
    plant.write_plant(session)
    plant.write_readings(session, 24 * 120)
    plant.write_levels(session)
    before = backtest(session, hour(24 * 120))
    plant.serve(session, "1-1", "minor", 24 * 119)
    after = backtest(session, hour(24 * 120))
    horizons = [
        [repr(case) for case in found if case.group.endswith("days")] for found in (before, after)
    ]
    assert len(horizons[0]) > 100
    assert horizons[0] == horizons[1]


def test_the_command_prints_what_the_answer_says(command: Command, own_engine: Engine) -> None:
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session, 24 * 120)
        plant.write_levels(session)
    as_of = (hour(24 * 120) + timedelta(minutes=1)).isoformat()
    answer: dict[str, Any] = json.loads(
        command("forecast", "--backtest", "--as-of", as_of, "--json").stdout
    )
    row = next(one for one in answer["scores"] if one["group"] == "7 days")
    assert row["coverage"] == 1
    assert row["error_rated_speed"] is None
    said = command("forecast", "--backtest", "--as-of", as_of).stdout
    line = next(line for line in said.splitlines() if "7 days" in line and "100" in line)
    assert str(row["count"]) in line


def test_the_command_says_when_there_is_too_little_history(
    command: Command, own_engine: Engine
) -> None:
    with writing(own_engine) as session:
        plant.write_plant(session)
    said = command("forecast", "--backtest").stdout
    assert "43 days" in said
