"""Counting the log: production and samples, by machine, defect, bucket and more."""

import random
from collections import Counter
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from tests.defects.small_plant import (
    ZONE,
    corrected,
    entry_fact,
    hour,
    log,
    logged,
    machine_id,
    write_plant,
)
from tests.support.statements import Statements
from tracelog.buckets import Bucket, period_of, periods
from tracelog.defects.queries import (
    EntryFilter,
    ProductionCount,
    SampleCount,
    entries,
    production_counts,
    sample_counts,
)
from tracelog.errors import TracelogError
from tracelog.plant.queries import the_plant


@pytest.fixture
def plant(session: Session) -> None:
    write_plant(session)


@pytest.mark.usefixtures("plant")
def test_production_counts_occurrences_and_cans_by_machine_and_defect(session: Session) -> None:
    logged(session, 0, "1-1", cans=60, occurrences=1)
    logged(session, 1, "1-1", cans=2)
    logged(session, 2, "1-1", defect="wrinkle")
    logged(session, 3, "1-?")
    logged(session, 4, "1-1", cans=5, inspected=200)
    machine = machine_id(session, "1-1")
    assert production_counts(session, EntryFilter()) == [
        ProductionCount(
            machine_id=machine, defect="split", counted_occurrences=3, cans=62, entries=2
        ),
        ProductionCount(
            machine_id=machine, defect="wrinkle", counted_occurrences=1, cans=1, entries=1
        ),
        ProductionCount(machine_id=None, defect="split", counted_occurrences=1, cans=1, entries=1),
    ]


@pytest.mark.usefixtures("plant")
def test_samples_count_what_was_inspected_and_what_was_bad(session: Session) -> None:
    logged(session, 0, "1-1", cans=3, inspected=200)
    logged(session, 1, "1-1", cans=0, inspected=100)
    logged(session, 2, "1-1", cans=4)
    machine = machine_id(session, "1-1")
    assert sample_counts(session, EntryFilter()) == [
        SampleCount(machine_id=machine, defect="split", inspected=300, cans=3, samples=2)
    ]


@pytest.mark.usefixtures("plant")
def test_without_anything_to_tell_apart_there_is_one_row_or_none(session: Session) -> None:
    assert production_counts(session, EntryFilter(), by=()) == []
    logged(session, 0, "1-1")
    logged(session, 0, None, cans=3)
    assert production_counts(session, EntryFilter(), by=()) == [
        ProductionCount(counted_occurrences=4, cans=4, entries=2)
    ]
    assert sample_counts(session, EntryFilter(), by=()) == []


@pytest.mark.usefixtures("plant")
def test_counts_can_be_told_apart_by_what_was_read(session: Session) -> None:
    logged(session, 0, "1-1", found_at="necker", coil="K1", pallet="P1", mark="m")
    logged(session, 1, "2-1")
    rows = production_counts(
        session, EntryFilter(), by=("line", "found_at", "coil", "pallet", "mark")
    )
    told = [(one.line, one.found_at, one.coil, one.pallet, one.mark) for one in rows]
    assert told == [(1, "necker", "K1", "P1", "m"), (2, None, None, None, None)]


@pytest.mark.usefixtures("plant")
def test_rows_stand_in_order_of_bucket_line_machine_and_defect(session: Session) -> None:
    for code in ("2-1", "1-12", "1-2"):
        for defect in ("wrinkle", "split"):
            logged(session, 0, code, defect=defect)
            logged(session, 30, code, defect=defect)
    logged(session, 0, None)
    asked = EntryFilter(start=hour(-10), end=hour(50))
    rows = production_counts(session, asked, by=("bucket", "machine", "line", "defect"))
    texts = {machine_id(session, text): text for text in ("2-1", "1-12", "1-2")}
    day = [(text, defect) for text in ("1-2", "1-12", "2-1") for defect in ("split", "wrinkle")]
    told = [(texts.get(one.machine_id), one.defect) for one in rows if one.machine_id]
    assert told == day + day
    assert rows[6].machine_id is None


@pytest.mark.parametrize("bucket", Bucket)
@pytest.mark.usefixtures("plant")
def test_buckets_are_those_of_the_plants_clock(session: Session, bucket: Bucket) -> None:
    # Over the nights in which the clock is put forward and back.
    start = datetime(2026, 3, 20, 3, 30, tzinfo=ZONE)
    chance = random.Random(bucket.value)
    seen = [start + timedelta(minutes=chance.randrange(60 * 24 * 12)) for _ in range(60)]
    end = start + timedelta(days=12)
    found = periods(bucket, start, end, ZONE, the_plant(session).rota)
    seen += [period.start for period in found[1:4]]
    facts = [entry_fact(0, seen_at=at, note=str(n)) for n, at in enumerate(seen)]
    log(session, *facts)
    asked = EntryFilter(start=start, end=end)
    rows = production_counts(session, asked, by=("bucket",), bucket=bucket)
    expected = Counter(period_of(found, fact.seen_at) for fact in facts)
    assert [(one.bucket_start, one.entries) for one in rows] == [
        (period.start, expected[period]) for period in found if expected[period]
    ]


@pytest.mark.usefixtures("plant")
def test_a_bucket_counts_only_what_lies_in_the_period_asked_for(session: Session) -> None:
    for number in (1, 3, 5):
        logged(session, number)
    (row,) = production_counts(
        session, EntryFilter(start=hour(2), end=hour(5)), by=("bucket",), bucket=Bucket.DAY
    )
    assert row.entries == 1
    assert row.bucket_start == hour(-6)


@pytest.mark.usefixtures("plant")
@pytest.mark.parametrize("asked", [{}, {"start": hour(0)}, {"end": hour(0)}])
def test_buckets_without_a_period_are_refused(session: Session, asked: dict[str, Any]) -> None:
    with pytest.raises(TracelogError, match="buckets need a period; give its start and its end"):
        production_counts(session, EntryFilter(**asked), by=("bucket",))


@pytest.mark.usefixtures("plant")
def test_more_periods_than_one_statement_takes_are_refused(session: Session) -> None:
    asked = EntryFilter(start=hour(0), end=hour(20_000))
    with pytest.raises(TracelogError, match="choose a longer bucket or a shorter period") as told:
        production_counts(session, asked, by=("bucket",), bucket=Bucket.HOUR)
    assert told.value.field == "bucket"


@pytest.mark.usefixtures("plant")
def test_a_year_of_hours_is_counted(session: Session) -> None:
    for number in (0.5, 8000, 8000.9):
        logged(session, number)
    asked = EntryFilter(start=hour(0), end=hour(8784))
    rows = sample_counts(session, asked, by=("bucket",), bucket=Bucket.HOUR)
    assert rows == []
    made = production_counts(session, asked, by=("bucket",), bucket=Bucket.HOUR)
    assert [(one.bucket_start, one.entries) for one in made] == [(hour(0), 1), (hour(8000), 2)]


def test_shifts_of_a_plant_without_any_are_refused(session: Session) -> None:
    write_plant(session, shifts=False)
    asked = EntryFilter(start=hour(0), end=hour(5))
    with pytest.raises(TracelogError, match="no shifts; choose another bucket"):
        production_counts(session, asked, by=("bucket",), bucket=Bucket.SHIFT)


@pytest.mark.usefixtures("plant")
def test_counts_agree_with_the_entries_that_they_count(session: Session) -> None:
    chance = random.Random(7)
    facts = [
        entry_fact(
            chance.randrange(100),
            chance.choice(["1-1", "1-2", "2-1", "1-?", None]),
            defect=chance.choice(["split", "wrinkle"]),
            cans=chance.randint(1, 9),
            inspected=chance.choice([None, 50]),
            note=str(n),
        )
        for n in range(80)
    ]
    log(session, *facts)
    for fact in facts[:20]:
        corrected(session, fact.id, 90, changes={"defect": "short-can", "dome_code": "1-12"})
    asked = EntryFilter(start=hour(5), end=hour(95), line=1)
    rows = entries(session, asked, 1000).rows
    cans: Counter[tuple[Any, ...]] = Counter()
    inspected: Counter[tuple[Any, ...]] = Counter()
    for row in rows:
        key = (row.machine_id, row.defect)
        if row.inspected is None:
            cans[key] += row.counted_occurrences
        else:
            inspected[key] += row.inspected
    made = {
        (r.machine_id, r.defect): r.counted_occurrences for r in production_counts(session, asked)
    }
    looked = {(r.machine_id, r.defect): r.inspected for r in sample_counts(session, asked)}
    assert made == cans
    assert looked == inspected


@pytest.mark.usefixtures("plant")
def test_counts_take_a_fixed_number_of_statements(session: Session, statements: Statements) -> None:
    def counts() -> list[int]:
        found = []
        period = EntryFilter(start=hour(0), end=hour(100))
        for asked, by in (
            (EntryFilter(), ("machine", "defect")),
            (EntryFilter(as_of=hour(50)), ("machine", "defect")),
            (period, ("bucket", "machine")),
        ):
            with statements.counted() as sent:
                production_counts(session, asked, by)
            found.append(len(sent))
        return found

    first = logged(session, 0)
    few = counts()
    for number in range(1, 30):
        corrected(session, logged(session, number), 60, changes={"note": "x"})
    corrected(session, first, 60, withdrawn="yes")
    assert counts() == few == [5, 7, 9]


@pytest.mark.usefixtures("plant")
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_what_has_no_machine_is_not_looked_for_among_all_of_its_kind(
    session: Session, statements: Statements
) -> None:
    period = EntryFilter(start=hour(0), end=hour(24 * 90), defects=("split",))
    statements.clear()
    production_counts(session, period, by=("machine", "bucket"))
    asked = [*zip(statements.texts, statements.values, strict=True)]
    plans = [
        " ".join(
            str(row[3])
            for row in session.connection().exec_driver_sql(f"EXPLAIN QUERY PLAN {text}", values)
            if "current_entries" in str(row[3])
        )
        for text, values in asked
        if "machine_id IS NULL" in text
    ]
    assert len(plans) == 1
    assert "ix_current_entries_machine_occurred_at (machine_id=? AND occurred_at>?" in plans[0]
