"""A month that is not as it should be stays, and so do files of something else."""

from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, select

from tests.keeping.retention.old_plant import MARCH, NOW, go, numbers, readings_of
from tests.strokes.counters import (
    ACTOR,
    reading,
)
from tracelog import db
from tracelog.errors import Conflict, TracelogError
from tracelog.keeping.retention.actions import retire_month
from tracelog.keeping.retention.parquet import content_of, writing_month
from tracelog.keeping.retention.queries import due_months
from tracelog.outcomes import CREATED
from tracelog.strokes.actions import (
    record_readings,
)
from tracelog.strokes.models import Reading, RetiredMonth
from tracelog.strokes.queries import (
    open_questions,
)


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
