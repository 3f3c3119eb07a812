"""Readings of old months go into files and out of the table; what rests on them stays."""

import hashlib
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from sqlalchemy import Engine, func, select, text
from sqlalchemy.orm import Session

from tests.keeping.retention.old_plant import (
    APRIL,
    HOUR,
    MARCH,
    NOW,
    START,
    answers,
    go,
    numbers,
    readings_of,
    settle_all,
    whole,
)
from tests.strokes.counters import (
    ACTOR,
    derived,
)
from tests.strokes.test_partitions import held
from tests.support.plants import ENDS_AT
from tracelog import db
from tracelog.audit import AuditRecord
from tracelog.buckets import Bucket
from tracelog.keeping.integrity import Integrity, look_over
from tracelog.keeping.months import MonthKeeper
from tracelog.keeping.retention.actions import retire_month
from tracelog.keeping.retention.queries import due_months
from tracelog.keeping.retention.rules import file_of, goes_before, months_between
from tracelog.service.queries import service_standings
from tracelog.strokes.actions import (
    derive_machines,
    rebuild_strokes,
)
from tracelog.strokes.models import Reading, RetiredMonth
from tracelog.strokes.queries import (
    machine_span,
    strokes_by_bucket,
)
from tracelog.strokes.question_rules import DISTANCES
from tracelog.strokes.questions import silences


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
