"""Readings of old months go into files and out of the table; all that rests on them stays."""

import hashlib
import json
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result
from sqlalchemy import Engine, func, select, text
from sqlalchemy.orm import Session

from tests.strokes.counters import (
    ACTOR,
    counter_event,
    derived,
    make_plant,
    reading,
    settlement,
)
from tests.strokes.test_partitions import held
from tests.support.databases import Databases, Kind, open_engine
from tests.support.plants import ENDS_AT
from tracelog import db
from tracelog.audit import AuditRecord
from tracelog.buckets import Bucket
from tracelog.cli import tracelog
from tracelog.config import Settings
from tracelog.defects.actions import seed_vocabulary
from tracelog.errors import Conflict, TracelogError
from tracelog.intake.derived import Standing, derive_again
from tracelog.keeping.actions import restore
from tracelog.keeping.integrity import Integrity, look_over
from tracelog.keeping.making import back_up
from tracelog.keeping.months import MonthKeeper
from tracelog.keeping.retention.actions import RetiredNow, retire_month
from tracelog.keeping.retention.parquet import content_of, writing_month
from tracelog.keeping.retention.queries import due_months
from tracelog.keeping.retention.rules import file_of, goes_before, months_between
from tracelog.outcomes import CREATED, UNCHANGED
from tracelog.plant.models import Machine, Plant
from tracelog.plant.queries import directory
from tracelog.service.queries import service_standings
from tracelog.strokes.actions import (
    derive_machines,
    rebuild_strokes,
    record_counter_events,
    record_readings,
)
from tracelog.strokes.column_actions import record_reading_columns
from tracelog.strokes.models import CarriedCounter, Reading, RetiredMonth
from tracelog.strokes.queries import (
    first_reading,
    last_reading,
    machine_span,
    open_questions,
    strokes_by_bucket,
)
from tracelog.strokes.question_rules import DISTANCES
from tracelog.strokes.questions import silences
from tracelog.strokes.reading_columns import ReadingColumns
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.settlement_actions import record_counter_settlements

START = datetime(2026, 1, 20, 5, 30, tzinfo=UTC)
END = datetime(2026, 5, 6, tzinfo=UTC)
NOW = END + timedelta(hours=3)
MARCH, APRIL = datetime(2026, 3, 1, tzinfo=UTC), datetime(2026, 4, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)
# An hour that is not UTC's, and one whose clock is changed in between.
ZONES = ("Asia/Kolkata", "Europe/Madrid")
LIMITS = {number: CounterLimits(99_999, 400) for number in (1, 2, 3, 4)}


def fill(engine: Engine, zone: str) -> None:
    """Four counters: one to the end, one that ended in February, one that began in April, one odd.

    The odd one rolls over, was reset, has a wrong reading just before March, and says nothing
    for weeks.
    """
    with db.writing(engine) as session:
        make_plant(session, zone, LIMITS)
        seed_vocabulary(session, ACTOR, NOW)
    steps = int((END - START) / timedelta(hours=5))
    every = [START + timedelta(hours=5) * step for step in range(steps)]
    facts = [reading(1, at, step * 1_500 % 100_000) for step, at in enumerate(every)]
    early = [one for one in every if one < MARCH - 9 * HOUR]
    facts += [reading(2, at, step * 700 % 100_000) for step, at in enumerate(early)]
    facts += [reading(3, at, 5 + step) for step, at in enumerate(every) if at >= APRIL + HOUR]
    odd = [one for one in every if not MARCH + 50 * HOUR < one < APRIL + 50 * HOUR]
    facts += [reading(4, at, step * 900 % 100_000) for step, at in enumerate(odd)]
    wrong = MARCH - timedelta(minutes=20)
    facts.append(reading(4, wrong, 77))
    with db.writing(engine) as session:
        for piece in (facts[::2], facts[1::2]):
            assert set(record_readings(session, piece, ACTOR, NOW)) == {CREATED}
        decided = [settlement(4, wrong, None, "misread", wrong + HOUR)]
        assert record_counter_settlements(session, decided, ACTOR, NOW) == [CREATED]
        event = counter_event(2, START + 3 * HOUR, 0)
        assert record_counter_events(session, [event], ACTOR, NOW) == [CREATED]
        settle_all(session)


def numbers(session: Any) -> dict[int, Any]:
    return {number: key for number, key in session.execute(select(Machine.number, Machine.id))}  # noqa: C416


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


def go(engine: Engine, folder: Path, keep: int = 1) -> list[RetiredNow]:
    """Retire all months that are due."""
    done = []
    while True:
        with db.writing(engine) as session:
            due = next(due_months(session, NOW, keep), None)
            if due is None:
                return done
            done.append(retire_month(session, due, folder, ACTOR, NOW))


def answers(engine: Engine) -> dict[str, Any]:
    """What is asked of counters without looking back: hours, days, spans, first and last."""
    with db.reading(engine) as session:
        return {
            "derived": derived(session),
            "spans": machine_span(session),
            "first": first_reading(session),
            "last": last_reading(session),
            "days": set(strokes_by_bucket(session, None, START, END, Bucket.DAY)),
            "silent": silences(session, NOW),
            "then": machine_span(session, as_of=APRIL + 30 * HOUR),
        }


def whole(engine: Engine) -> Integrity:
    with db.writing(engine) as session:
        found = look_over(session, NOW, rebuild=False)
        session.rollback()
    return found


def readings_of(engine: Engine) -> int:
    with db.reading(engine) as session:
        return session.execute(select(func.count()).select_from(Reading)).scalar_one()


def test_months_are_those_of_utc_before_the_ones_that_stay() -> None:
    assert goes_before(NOW, 2) == MARCH
    assert goes_before(datetime(2026, 1, 1, tzinfo=UTC), 1) == datetime(2025, 12, 1, tzinfo=UTC)
    assert months_between(START, MARCH) == [datetime(2026, m, 1, tzinfo=UTC) for m in (1, 2)]
    assert months_between(APRIL, MARCH) == []
    assert file_of(MARCH) == "readings-2026-03.parquet"


def test_what_rests_on_readings_says_the_same_after_they_went(
    filled: Engine, tmp_path: Path
) -> None:
    before, count = answers(filled), readings_of(filled)
    done = go(filled, tmp_path)
    assert [one.month.month for one in done] == [1, 2, 3]
    assert answers(filled) == before
    # Of each machine about an hour stays before the cut.
    with db.reading(filled) as session:
        old = select(func.count()).select_from(Reading).where(Reading.read_at < APRIL)
        assert session.execute(old).scalar_one() == 3 * (DISTANCES + 1)
    assert readings_of(filled) == count - sum(one.rows for one in done) + 3 * (DISTANCES + 1)
    assert whole(filled) == Integrity()
    with db.writing(filled) as session:
        rebuild_strokes(session, ACTOR, NOW)
        derive_machines(session, list(numbers(session).values()))
    assert answers(filled) == before
    assert whole(filled) == Integrity()


@pytest.mark.small_plant
def test_a_whole_plant_is_the_same_after_its_readings_went(
    own_engine: Engine, tmp_path: Path
) -> None:
    later = ENDS_AT + timedelta(days=70)
    with db.writing(own_engine) as session:
        settle_all(session)
        before = derived(session), machine_span(session), due_work(session)
        months = list(due_months(session, later, 1))
        assert sum(one.rows for one in months) > 100
        for due in months:
            retire_month(session, due, tmp_path, ACTOR, later)
        assert (derived(session), machine_span(session), due_work(session)) == before
    with db.writing(own_engine) as session:
        assert look_over(session, ENDS_AT, rebuild=True) == Integrity(rebuilt=True)
        assert (derived(session), machine_span(session), due_work(session)) == before
    assert {path.name for path in tmp_path.iterdir()} == {one.file for one in months}


def settle_all(session: Session) -> None:
    """Say of every open question, as soon as it came up, that so many strokes were made."""
    machines = directory(session).by_id
    for one in open_questions(session):
        machine = machines[one.machine_id]
        said = settlement(machine.number, one.to_at, (one.from_at, 10), settled_at=one.to_at)
        said = said.model_copy(update={"line": machine.line})
        assert record_counter_settlements(session, [said], ACTOR, ENDS_AT) == [CREATED]
    assert open_questions(session) == []


def due_work(session: Session) -> list[Any]:
    """When services fall due, as of the plant's last day."""
    return list(service_standings(session, ENDS_AT + timedelta(minutes=1)))


def test_month_after_month_is_the_same_as_all_at_once(madrid: Engine, tmp_path: Path) -> None:
    before = answers(madrid)
    for keep, months in ((3, [1]), (2, [2]), (1, [3])):
        assert [one.month.month for one in go(madrid, tmp_path, keep)] == months
        assert answers(madrid) == before
        assert whole(madrid) == Integrity()


def test_a_file_holds_every_reading_of_its_month(madrid: Engine, tmp_path: Path) -> None:
    with db.reading(madrid) as session:
        asked = select(Reading).where(Reading.read_at >= MARCH, Reading.read_at < APRIL)
        asked = asked.order_by(Reading.machine_id, Reading.read_at)
        there = [
            (str(one.machine_id), one.read_at, one.strokes, str(one.audit_id))
            for one in session.execute(asked).scalars()
        ]
        texts = {str(key): f"1-{number}" for number, key in numbers(session).items()}
    done = go(madrid, tmp_path)[-1]
    table = pq.read_table(done.path)
    assert table.column_names == ["machine", "machine_id", "read_at", "strokes", "audit_id"]
    rows = table.to_pylist()
    names = table.column_names[1:]
    assert sorted(tuple(row[name] for name in names) for row in rows) == sorted(there)
    assert all(row["machine"] == texts[row["machine_id"]] for row in rows)
    assert len(rows) == done.rows
    assert table.schema.metadata[b"plant"] == b"Alder Point"
    digest = hashlib.sha256(done.path.read_bytes()).hexdigest()
    with db.reading(madrid) as session:
        kept = session.get(RetiredMonth, MARCH)
        assert kept is not None
        assert (kept.file, kept.rows, kept.sha256) == (done.path.name, done.rows, digest)
        record = session.get(AuditRecord, kept.audit_id)
        assert record is not None
        assert record.action == "retire readings"
        assert json.loads(record.after or "")["sha256"] == digest


@pytest.mark.parametrize("database_kind", ["postgresql"], indirect=True)
def test_parts_of_retired_months_are_dropped(madrid: Engine, tmp_path: Path) -> None:
    go(madrid, tmp_path)
    MonthKeeper(madrid).look(NOW)
    with db.reading(madrid) as session:
        assert set(held(session)) == {"readings_default", "readings_2026_04", "readings_2026_05"}
        parts = session.execute(text("SELECT to_regclass('readings_2026_02')")).scalar()
        assert parts is None


@pytest.mark.parametrize("database_kind", ["postgresql"], indirect=True)
def test_who_reads_meanwhile_is_not_waited_for(madrid: Engine, tmp_path: Path) -> None:
    before = answers(madrid)
    with madrid.connect() as other:
        other.execute(text("SELECT count(*) FROM readings")).scalar_one()
        go(madrid, tmp_path, 2)
    assert answers(madrid) == before
    assert whole(madrid) == Integrity()
    go(madrid, tmp_path, 1)
    with db.reading(madrid) as session:
        assert session.execute(text("SELECT to_regclass('readings_2026_01')")).scalar() is None


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


def test_looking_back_into_a_retired_month_goes_to_the_hours_start(
    madrid: Engine, tmp_path: Path
) -> None:
    then = MARCH + timedelta(hours=40, minutes=25)
    with db.reading(madrid) as session:
        exact = machine_span(session, as_of=then)
        days = set(strokes_by_bucket(session, None, START, MARCH, Bucket.DAY, as_of=then))
    go(madrid, tmp_path)
    with db.reading(madrid) as session:
        found = machine_span(session, as_of=then)
        again = strokes_by_bucket(session, None, START, MARCH, Bucket.DAY, as_of=then)
        assert set(again) == days
        one = numbers(session)
        # How often these were read is in the file; of the others it is known.
        assert set(silences(session, then)) == {one[2], one[3]}
    assert set(found) == set(exact)
    assert found[one[1]].last_at == MARCH + 40 * HOUR
    assert found[one[1]].first_at == exact[one[1]].first_at
    assert abs(found[one[1]].strokes - exact[one[1]].strokes) < 1_500


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


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            "UPDATE readings SET strokes = strokes + 900 WHERE read_at IN"
            " (SELECT max(read_at) FROM readings WHERE read_at < '2026-02-01')",
            "are not what its readings say",
        ),
        (
            "UPDATE readings SET audit_id = machine_id WHERE read_at < '2026-01-25'",
            "rows of readings are not as tracelog wrote them",
        ),
        (
            "DELETE FROM stroke_hours WHERE hour_at BETWEEN '2026-01-22' AND '2026-01-23'",
            "are not what its readings say",
        ),
        (
            "UPDATE stroke_hours SET total_before = total_before + 1 WHERE hour_at > '2026-01-31'",
            "are not what its readings say",
        ),
    ],
)
def test_a_month_that_is_not_as_it_should_be_stays(
    madrid: Engine, tmp_path: Path, change: str, sentence: str
) -> None:
    with madrid.begin() as connection:
        connection.exec_driver_sql(change)
    count = readings_of(madrid)
    with pytest.raises(TracelogError, match=sentence):
        go(madrid, tmp_path)
    assert readings_of(madrid) == count
    with db.reading(madrid) as session:
        assert session.execute(select(RetiredMonth)).first() is None


def test_hours_that_were_altered_after_their_readings_went_stop_the_next_month(
    madrid: Engine, tmp_path: Path
) -> None:
    go(madrid, tmp_path, 2)
    with madrid.begin() as connection:
        connection.exec_driver_sql(
            "UPDATE stroke_hours SET strokes = strokes + 1 WHERE hour_at < '2026-02-01'"
        )
    with pytest.raises(TracelogError, match="are not what its readings say"):
        go(madrid, tmp_path, 1)


def test_an_open_question_holds_its_month_back(madrid: Engine, tmp_path: Path) -> None:
    with db.writing(madrid) as session:
        at, shown = session.execute(
            select(Reading.read_at, Reading.strokes)
            .where(Reading.machine_id == numbers(session)[1], Reading.read_at > MARCH)
            .order_by(Reading.read_at)
            .limit(1)
        ).one()
        odd = [reading(1, at + timedelta(minutes=1), (shown + 50_000) % 100_000)]
        assert record_readings(session, odd, ACTOR, NOW) == [CREATED]
        assert open_questions(session)
    assert [one.month.month for one in go(madrid, tmp_path, 2)] == [1, 2]
    with pytest.raises(TracelogError, match="questions about counters before 2026-04-01 are open"):
        go(madrid, tmp_path, 1)


def test_a_file_of_something_else_is_not_written_over(madrid: Engine, tmp_path: Path) -> None:
    path = tmp_path / "readings-2026-01.parquet"
    with writing_month(path, {"plant": "another"}):
        pass
    before = path.read_bytes()
    with pytest.raises(Conflict, match="holds other readings"):
        go(madrid, tmp_path)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_left_by_a_run_that_was_stopped_is_taken_over(
    madrid: Engine, tmp_path: Path
) -> None:
    with db.writing(madrid) as session:
        due = next(due_months(session, NOW, 1))
        first = retire_month(session, due, tmp_path, ACTOR, NOW)
        session.rollback()
    content, count = content_of(first.path), readings_of(madrid)
    assert content.rows == due.rows
    again = go(madrid, tmp_path)[0]
    assert content_of(again.path) == content
    assert readings_of(madrid) < count


def test_a_damaged_file_is_not_taken_for_whole(madrid: Engine, tmp_path: Path) -> None:
    path = go(madrid, tmp_path)[0].path
    path.write_bytes(path.read_bytes()[:-9])
    with pytest.raises(TracelogError, match="cannot be read"):
        content_of(path)


def test_the_plants_zone_stays_once_readings_went(madrid: Engine, tmp_path: Path) -> None:
    go(madrid, tmp_path)
    with db.writing(madrid) as session:
        before = Standing.of(session)
        session.execute(select(Plant)).scalar_one().time_zone = "UTC"
        session.flush()
        with pytest.raises(TracelogError, match="time zone stays as it is"):
            derive_again(session, before, NOW)
        session.rollback()


@pytest.fixture
def another() -> Iterator[Any]:
    made: list[tuple[Databases, Engine]] = []

    def make(kind: Kind) -> Engine:
        databases = Databases(kind)
        made.append((databases, open_engine(databases.empty())))
        return made[-1][1]

    yield make
    for databases, engine in made:
        engine.dispose()
        databases.remove_all()


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_a_backup_carries_what_is_left_of_retired_months(
    madrid: Engine, tmp_path: Path, another: Any, kind: Kind
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
    assert date(2026, 5, 6) == NOW.date()
