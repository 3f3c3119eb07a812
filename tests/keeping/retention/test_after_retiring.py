"""After months were retired: what comes late, what is altered by hand, backup, the command."""

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sqlalchemy import Engine, select

from tests.keeping.retention.old_plant import (
    APRIL,
    HOUR,
    LIMITS,
    MARCH,
    NOW,
    START,
    answers,
    go,
    readings_of,
    whole,
)
from tests.strokes.counters import (
    ACTOR,
    counter_event,
    derived,
    make_plant,
    reading,
    settlement,
)
from tests.support.databases import Kind
from tracelog import db
from tracelog.cli import tracelog
from tracelog.config import Settings
from tracelog.errors import TracelogError
from tracelog.intake.derived import Standing, derive_again
from tracelog.keeping.actions import restore
from tracelog.keeping.integrity import Integrity, look_over
from tracelog.keeping.making import back_up
from tracelog.keeping.retention.queries import due_months
from tracelog.outcomes import CREATED, UNCHANGED
from tracelog.plant.models import Plant
from tracelog.strokes.actions import (
    record_counter_events,
    record_readings,
)
from tracelog.strokes.column_actions import record_reading_columns
from tracelog.strokes.models import CarriedCounter, RetiredMonth
from tracelog.strokes.queries import (
    machine_span,
)
from tracelog.strokes.reading_columns import ReadingColumns
from tracelog.strokes.settlement_actions import record_counter_settlements


def test_what_comes_late_for_a_retired_month_is_refused(madrid: Engine, tmp_path: Path) -> None:
    go(madrid, tmp_path)
    before = answers(madrid)
    late = [reading(1, APRIL - HOUR, 4), reading(3, START, 1), reading(1, START, 0)]
    event = counter_event(1, MARCH, 0)
    decided = settlement(1, MARCH + HOUR, None, "misread", NOW)
    with db.writing(madrid) as session:
        outcomes = record_readings(session, late, ACTOR, NOW)
        outcomes += record_counter_events(session, [event], ACTOR, NOW)
        outcomes += record_counter_settlements(session, [decided], ACTOR, NOW)
        many = record_reading_columns(session, ReadingColumns.of(late), ACTOR, NOW)
        outcomes += many.refused.values()
    assert len(outcomes) == 8
    for outcome in outcomes:
        assert not outcome.is_kept
        assert "lies in a month whose readings were exported" in str(outcome)
    assert answers(madrid) == before
    assert whole(madrid) == Integrity()


def test_readings_after_the_cut_are_taken_late_as_before(madrid: Engine, tmp_path: Path) -> None:
    late = [reading(4, APRIL + 7 * HOUR, 1), reading(1, APRIL + timedelta(minutes=2), 1)]
    with db.reading(madrid) as session:
        span, before = machine_span(session), derived(session)
    go(madrid, tmp_path)
    with db.writing(madrid) as session:
        assert record_readings(session, late, ACTOR, NOW) == [CREATED, CREATED]
        again = ReadingColumns.of(late)
        assert record_reading_columns(session, again, ACTOR, NOW).unchanged == 2
        assert record_readings(session, late[:1], ACTOR, NOW) == [UNCHANGED]
    with db.reading(madrid) as session:
        assert {one.first_at for one in machine_span(session).values()} == {
            one.first_at for one in span.values()
        }
        assert derived(session) != before
    assert whole(madrid) == Integrity()


def test_a_row_that_is_removed_or_altered_by_hand_is_still_named(
    madrid: Engine, tmp_path: Path
) -> None:
    go(madrid, tmp_path)
    changes = {
        "readings": "DELETE FROM readings WHERE read_at < '2026-04-01'",
        "retired_months": "UPDATE retired_months SET rows = rows + 1",
        "carried_counters": "UPDATE carried_counters SET strokes_before = strokes_before + 1",
        "stroke_hours": "UPDATE stroke_hours SET strokes = strokes + 1"
        " WHERE hour_at < '2026-02-01'",
    }
    for table, change in changes.items():
        with db.writing(madrid) as session:
            session.connection().exec_driver_sql(change)
            found = look_over(session, NOW, rebuild=False)
            session.rollback()
        assert any(one.startswith(table) for one in found.rows), (table, found)


def test_the_plants_zone_stays_once_readings_went(madrid: Engine, tmp_path: Path) -> None:
    go(madrid, tmp_path)
    with db.writing(madrid) as session:
        before = Standing.of(session)
        session.execute(select(Plant)).scalar_one().time_zone = "UTC"
        session.flush()
        with pytest.raises(TracelogError, match="time zone stays as it is"):
            derive_again(session, before, NOW)
        session.rollback()


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_a_backup_carries_what_is_left_of_retired_months(
    madrid: Engine, tmp_path: Path, another: Callable[[Kind], Engine], kind: Kind
) -> None:
    go(madrid, tmp_path)
    path = tmp_path / "all.zip"
    settings = Settings("sqlite://", "a secret that no backup holds", tmp_path, "collector")
    back_up(madrid, path, settings, NOW)
    engine = another(kind)
    restore(engine, path)
    assert answers(engine) == answers(madrid)
    assert whole(engine) == Integrity()
    with db.reading(engine) as session:
        assert len(session.execute(select(RetiredMonth)).all()) == 3
        assert len(session.execute(select(CarriedCounter)).all()) == 3


def command(engine: Engine, place: Path, *words: str) -> Result:
    url = engine.url.render_as_string(hide_password=False)
    environment = {"TRACELOG_DATABASE_URL": url, "TRACELOG_DATA_DIR": str(place / "data")}
    return CliRunner().invoke(tracelog, words, env=environment)


def test_the_command_says_first_and_does_then(
    madrid: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracelog.keeping.retention.commands.now", lambda: NOW)
    count, folder = readings_of(madrid), tmp_path / "files"
    words = ("retention", "--keep-months", "1", "--export", str(folder))
    told = command(madrid, tmp_path, *words, "--dry-run", "--json")
    assert told.exit_code == 0, told.output
    would = json.loads(told.output)["months"]
    assert [one["month"] for one in would] == ["2026-01", "2026-02", "2026-03"]
    assert readings_of(madrid) == count
    assert not folder.exists()
    shown = command(madrid, tmp_path, *words, "--dry-run").output
    assert "readings-2026-02.parquet" in shown
    done = command(madrid, tmp_path, *words)
    assert done.exit_code == 0, done.output
    assert sorted(path.name for path in folder.iterdir()) == [
        Path(one["file"]).name for one in would
    ]
    assert done.output.count("out of the database") == 3
    assert "No month is old enough." in command(madrid, tmp_path, *words).output
    assert json.loads(command(madrid, tmp_path, *words, "--json").output) == {"months": []}
    refused = command(madrid, tmp_path, "downgrade", "2026_11_27_tallies", "--yes")
    assert refused.exit_code == 1
    assert "readings were retired" in refused.output


def test_nothing_is_due_in_an_empty_plant(own_engine: Engine, tmp_path: Path) -> None:
    with db.writing(own_engine) as session:
        make_plant(session, "UTC", LIMITS)
        assert list(due_months(session, NOW, 1)) == []
