"""The backup of each day: when it is due, that one makes it, which are kept, what goes wrong."""

import json
import subprocess
import sys
import threading
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine

from tests.intake.folders import GOOD, import_good, write_folder
from tests.support.command import Command
from tests.support.databases import Kind
from tests.support.recorded import fill_once
from tracelog.config import Settings
from tracelog.errors import TracelogError
from tracelog.keeping.alone import alone
from tracelog.keeping.archive import reading_archive
from tracelog.keeping.last import last_backup
from tracelog.keeping.rules import (
    Retention,
    is_due,
    last_due,
    may_try,
    read_retention,
    read_time,
    to_keep,
)
from tracelog.keeping.scheduled import failure, make_scheduled, schedule

NOW = datetime(2026, 5, 1, 12, tzinfo=UTC)
BERLIN = ZoneInfo("Europe/Berlin")
only_sqlite = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


@pytest.fixture
def filled(own_engine: Engine, tmp_path: Path) -> Engine:
    def fill() -> None:
        import_good(own_engine, write_folder(tmp_path / "plant", GOOD))

    fill_once(own_engine, "good folder", fill)
    return own_engine


def settings_of(engine: Engine, folder: Path, backups: Path, **more: str) -> Settings:
    return Settings(
        engine.url.render_as_string(hide_password=False),
        "a key",
        folder,
        backup_folder=str(backups),
        **more,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize(
    ("now", "due"),
    [
        ("2026-05-01T00:14:59+00:00", "2026-04-30T00:15:00+00:00"),
        ("2026-05-01T00:15:00+00:00", "2026-05-01T00:15:00+00:00"),
        # That night has no 02:15, and the other one has it twice: once each day all the same.
        ("2026-03-29T12:00:00+00:00", "2026-03-29T01:15:00+00:00"),
        ("2026-10-25T12:00:00+00:00", "2026-10-25T00:15:00+00:00"),
    ],
)
def test_it_is_due_by_the_plants_clock(now: str, due: str) -> None:
    found = last_due(datetime.fromisoformat(now), time(2, 15), BERLIN)
    assert found.astimezone(UTC) == datetime.fromisoformat(due)


@given(st.integers(0, 1_000_000), st.integers(0, 23))
def test_it_is_due_once_a_day_and_missed_ones_are_made_up(minutes: int, hour: int) -> None:
    now = NOW + timedelta(minutes=minutes)
    due = last_due(now, time(hour, 15), BERLIN).astimezone(UTC)
    assert timedelta(0) <= now - due <= timedelta(hours=25)
    assert is_due(None, now, time(hour, 15), BERLIN)
    assert not is_due(now, now, time(hour, 15), BERLIN)
    assert is_due(due - timedelta(seconds=1), now, time(hour, 15), BERLIN)


def test_after_failures_it_is_tried_again_more_and_more_seldom() -> None:
    waits = [
        next(
            minutes
            for minutes in range(1, 200)
            if may_try(NOW, times, NOW + timedelta(minutes=minutes))
        )
        for times in (1, 2, 3, 4, 5, 50)
    ]
    assert waits == [5, 10, 20, 40, 60, 60]
    assert may_try(None, 0, NOW)
    assert may_try(NOW + timedelta(days=3), 9, NOW), "a clock that was set back"


def test_the_newest_of_each_day_week_and_month_are_kept() -> None:
    made = [NOW - timedelta(hours=12 * step) for step in range(2 * 100)]
    kept = sorted(to_keep(made, Retention(3, 2, 3), ZoneInfo("UTC")))
    assert [f"{one:%m-%d %H}" for one in kept] == [
        *("03-31 12", "04-26 12", "04-29 12", "04-30 12", "05-01 12"),
    ]


@given(st.sets(st.integers(0, 4000)), st.integers(0, 9), st.integers(0, 9), st.integers(0, 9))
def test_thinning_again_removes_nothing_and_the_newest_stays(
    hours: set[int], daily: int, weekly: int, monthly: int
) -> None:
    made = {NOW - timedelta(hours=hour) for hour in hours}
    retention = Retention(daily, weekly, monthly)
    kept = to_keep(made, retention, BERLIN)
    assert kept <= made
    assert len(kept) <= max(daily + weekly + monthly, 1)
    assert not made or max(made) in kept
    assert to_keep(kept, retention, BERLIN) == kept


def test_settings_that_are_wrong_are_told() -> None:
    assert (read_time(None), read_time("23:05")) == (time(2, 15), time(23, 5))
    assert str(read_retention(None)) == "14 daily, 8 weekly, 12 monthly"
    assert read_retention("2 monthly,3 daily") == Retention(3, 0, 2)
    for text in ("2:15", "24:00", "noon"):
        with pytest.raises(TracelogError, match="such as 02:15"):
            read_time(text)
    for text in ("14", "0 daily", "3 daily, 4 daily", "3 yearly"):
        with pytest.raises(TracelogError, match="14 daily, 8 weekly"):
            read_retention(text)


@only_sqlite
def test_it_is_made_once_and_again_the_next_day(filled: Engine, tmp_path: Path) -> None:
    settings = settings_of(filled, tmp_path, tmp_path / "kept", backup_keep="2 daily")
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "notes.txt").write_text("not ours")
    first = make_scheduled(filled, settings, NOW)
    assert first is not None
    with reading_archive(first.path) as archive:
        assert archive.manifest.made_at == NOW
    last = last_backup(tmp_path)
    assert last is not None
    assert last.made_at == NOW
    assert make_scheduled(filled, settings, NOW + timedelta(hours=1)) is None
    for days in (1, 2):
        later = make_scheduled(filled, settings, NOW + timedelta(days=days))
    assert later is not None
    assert later.removed == [first.path]
    assert len(list((tmp_path / "kept").glob("*.zip"))) == 2
    assert (tmp_path / "kept" / "notes.txt").exists()


@only_sqlite
def test_of_several_one_makes_it(filled: Engine, tmp_path: Path) -> None:
    settings = settings_of(filled, tmp_path, tmp_path / "kept")
    done: list[object] = []
    threads = [
        threading.Thread(target=lambda: done.append(make_scheduled(filled, settings, NOW)))
        for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(done) == 4
    assert sum(one is not None for one in done) == 1
    assert len(list((tmp_path / "kept").glob("*.zip"))) == 1


def test_a_process_that_was_killed_lets_the_lock_go(tmp_path: Path) -> None:
    held = (
        "import sys, time; from pathlib import Path; from tracelog.keeping.alone import alone\n"
        "with alone(Path(sys.argv[1])) as ours: print(ours, flush=True); time.sleep(60)"
    )
    words = [sys.executable, "-c", held, str(tmp_path / "lock")]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "True\n"
        with alone(tmp_path / "lock") as ours:
            assert not ours
        other.kill()
        other.wait(30)
    with alone(tmp_path / "lock") as ours:
        assert ours


@only_sqlite
def test_a_failure_is_remembered_until_one_is_good(filled: Engine, tmp_path: Path) -> None:
    (tmp_path / "kept").write_text("a file where a folder should be")
    settings = settings_of(filled, tmp_path, tmp_path / "kept")
    for times, minutes in ((1, 0), (2, 6)):
        moment = NOW + timedelta(minutes=minutes)
        with pytest.raises(TracelogError, match="cannot be made"):
            make_scheduled(filled, settings, moment)
        found = failure(tmp_path)
        assert found is not None
        assert (found.at, found.times) == (moment, times)
        assert make_scheduled(filled, settings, moment + timedelta(minutes=1)) is None
    (tmp_path / "kept").unlink()
    assert make_scheduled(filled, settings, NOW + timedelta(hours=1)) is not None
    assert failure(tmp_path) is None


@only_sqlite
def test_nothing_is_scheduled_unless_it_is_set(filled: Engine, tmp_path: Path) -> None:
    assert schedule(filled, Settings("sqlite://", "a key", tmp_path), NOW) is None


@only_sqlite
def test_the_command_makes_it_where_it_is_due(
    filled: Engine, command: Command, tmp_path: Path, database_kind: Kind
) -> None:
    assert "TRACELOG_BACKUP_FOLDER" in command("backup", "--scheduled", status=1).stderr
    command.environment["TRACELOG_BACKUP_FOLDER"] = str(tmp_path / "kept")
    done = command("backup", "--scheduled", "--json")
    assert Path(json.loads(done.stdout)["file"]).parent == tmp_path / "kept"
    assert "No backup is due" in command("backup", "--scheduled").stdout
    command("backup", "x.zip", "--scheduled", status=2)
    command("backup", status=2)
