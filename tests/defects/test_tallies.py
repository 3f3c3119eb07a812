"""Tallies: always what the entries add up to, and every count from them what entries give."""

import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from tests.defects.histories import FEW, Event, histories, write_history
from tests.defects.small_plant import (
    ZONE,
    corrected,
    entry_fact,
    hour,
    log,
    logged,
    machine_id,
    undone,
    write_plant,
)
from tracelog.buckets import Bucket, period_of, periods
from tracelog.defects.actions import rebuild_entries, rebuild_tallies
from tracelog.defects.counts import By
from tracelog.defects.models import CurrentEntry, EntryTally
from tracelog.defects.queries import (
    EntryFilter,
    EntryKind,
    EntryView,
    entries,
    production_counts,
    sample_counts,
)
from tracelog.defects.tallies.rules import cut, whole_day_without
from tracelog.plant.queries import directory, the_plant

# Over the nights in which the plant's clock is put forward and back, and over several months.
FIRST, LAST = datetime(2026, 2, 2, 5, tzinfo=UTC), datetime(2026, 11, 20, 17, 30, tzinfo=UTC)
INSTANTS = st.integers(0, 365 * 24 * 60).map(lambda minutes: FIRST + timedelta(minutes=minutes))
ZONES = st.sampled_from(
    [ZONE, ZoneInfo("UTC"), ZoneInfo("Asia/Kathmandu"), ZoneInfo("Australia/Lord_Howe")]
)


@pytest.fixture(autouse=True)
def _plant(session: Session) -> None:
    write_plant(session)


def tallies(session: Session) -> list[tuple[Any, ...]]:
    names = [column.key for column in EntryTally.__table__.columns]
    rows = session.execute(select(*(getattr(EntryTally, name) for name in names)))
    return sorted(tuple(row) for row in rows)


@FEW
@given(histories())
def test_tallies_kept_as_entries_come_are_those_made_from_all_of_them(
    session: Session, events: list[Event]
) -> None:
    with undone(session):
        write_history(session, events)
        kept = tallies(session)
        rebuild_tallies(session)
        assert tallies(session) == kept
        settled = select(CurrentEntry.entry_id).where(CurrentEntry.machine_id.is_not(None))
        assert sum(row[5] for row in kept if row[3] == "day") == len(session.execute(settled).all())


def test_a_withdrawn_entry_leaves_no_empty_tally(session: Session) -> None:
    entry_id = logged(session, 0, cans=3)
    assert [row[3:7] for row in tallies(session)] == [
        ("day", datetime(2026, 2, 1, 23, tzinfo=UTC), 1, 3),
        ("month", datetime(2026, 1, 31, 23, tzinfo=UTC), 1, 3),
    ]
    corrected(session, entry_id, 5, withdrawn="yes")
    assert tallies(session) == []


def test_samples_and_production_are_tallied_apart(session: Session) -> None:
    logged(session, 0, cans=2)
    logged(session, 0, cans=3, inspected=200)
    told = [(row[2], *row[5:]) for row in tallies(session) if row[3] == "day"]
    assert told == [(False, 1, 2, 2, 0), (True, 1, 3, 3, 200)]


def test_entries_of_nobodys_machine_are_in_no_tally(session: Session) -> None:
    logged(session, 0, "1-?")
    logged(session, 0, None)
    assert tallies(session) == []


def test_rebuilding_mends_tallies_that_were_lost_or_altered(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_spread(session)
    before = tallies(session)
    lost = min(row[4] for row in before if row[3] == "day")
    session.execute(delete(EntryTally).where(EntryTally.start_at == lost))
    session.execute(update(EntryTally).where(EntryTally.length == "month").values(cans=99))
    assert tallies(session) != before
    monkeypatch.setattr("tracelog.defects.tallies.actions._AT_ONCE", 3)
    rebuild_entries(session)
    assert tallies(session) == before


@given(INSTANTS, st.integers(0, 400 * 24 * 60), ZONES, st.booleans())
def test_a_period_is_cut_without_gaps_at_midnights_of_the_plants_clock(
    start: datetime, minutes: int, zone: ZoneInfo, by_month: bool
) -> None:
    end = start + timedelta(minutes=minutes)
    parts = cut(start, end, zone, by_month=by_month)
    every = sorted([*parts.months, *parts.days, *parts.rest], key=lambda one: one.start)
    edges = [start, *(one.end for one in every)]
    assert [one.start for one in every] == edges[:-1]
    assert edges[-1] == end
    assert by_month or not parts.months
    for one in (*parts.months, *parts.days):
        assert one.start.astimezone(zone).time() == one.end.astimezone(zone).time() == _MIDNIGHT
    for one in parts.months:
        assert one.start.astimezone(zone).day == one.end.astimezone(zone).day == 1
    for one in parts.rest:
        last = one.end - timedelta(microseconds=1)
        assert one.start.astimezone(zone).date() == last.astimezone(zone).date()
        assert len(periods(Bucket.DAY, one.start, one.end, zone)) == 1
        assert not (is_midnight(one.start, zone) and is_midnight(one.end, zone))


@given(INSTANTS, st.integers(1, 25 * 60), ZONES)
def test_most_of_a_day_is_the_day_without_the_little_beside_it(
    start: datetime, minutes: int, zone: ZoneInfo
) -> None:
    end = start + timedelta(minutes=minutes)
    for one in cut(start, end, zone, by_month=False).rest:
        whole = whole_day_without(one, zone)
        if whole is None:
            (day,) = periods(Bucket.DAY, one.start, one.end, zone)
            assert one.end - one.start <= (day.end - day.start) / 2
            continue
        day, left = whole
        assert is_midnight(day.start, zone)
        assert is_midnight(day.end, zone)
        pieces = sorted([one, *left], key=lambda piece: piece.start)
        assert [day.start, *(piece.end for piece in pieces)] == [
            *(piece.start for piece in pieces),
            day.end,
        ]
        assert sum((piece.end - piece.start for piece in left), timedelta()) < one.end - one.start


_MIDNIGHT = datetime.min.time()


def is_midnight(moment: datetime, zone: ZoneInfo) -> bool:
    return moment.astimezone(zone).time() == _MIDNIGHT


def write_spread(session: Session) -> None:
    """Entries over ten months; some of partial codes, of samples, corrected or withdrawn."""
    chance = random.Random(3)
    minutes = int((LAST - FIRST) / timedelta(minutes=1))
    facts = [
        entry_fact(
            seen_at=FIRST + timedelta(minutes=chance.randrange(minutes)),
            code=chance.choice(["1-1", "1-2", "1-12", "2-1", "1-?", None]),
            defect=chance.choice(["split", "wrinkle", "short-can"]),
            cans=chance.randint(1, 9),
            inspected=chance.choice([None, None, 50]),
            found_at=chance.choice([None, "necker"]),
            note=str(n),
        )
        for n in range(400)
    ]
    log(session, *facts)
    for place, fact in enumerate(facts[:40]):
        changes: dict[str, Any] = {"dome_code": "1-12", "defect": "wrinkle"}
        more = {"withdrawn": "yes"} if place % 4 == 0 else {"changes": changes}
        corrected(session, fact.id, 7000, **more)


ASKED: list[tuple[EntryFilter, tuple[By, ...], Bucket]] = [
    (EntryFilter(), ("machine", "defect"), Bucket.DAY),
    (EntryFilter(), (), Bucket.DAY),
    (EntryFilter(), ("line", "machine", "defect"), Bucket.DAY),
    (EntryFilter(line=1), ("line", "bucket"), Bucket.DAY),
    (EntryFilter(defects=("split",)), ("machine", "bucket"), Bucket.DAY),
    (EntryFilter(defects=("split", "wrinkle")), ("bucket",), Bucket.WEEK),
    (EntryFilter(line=2), ("defect", "bucket"), Bucket.MONTH),
    (EntryFilter(is_settled=True), ("machine", "bucket"), Bucket.QUARTER),
    (EntryFilter(is_settled=False), ("line", "bucket"), Bucket.DAY),
    (EntryFilter(), ("machine", "bucket"), Bucket.SHIFT),
    (EntryFilter(found_at="necker"), ("machine",), Bucket.DAY),
    (EntryFilter(), ("machine", "found_at"), Bucket.DAY),
    (EntryFilter(defects=("nonesuch",)), ("machine",), Bucket.DAY),
    (EntryFilter(machine_ids=()), ("machine",), Bucket.DAY),
]
PERIODS = [
    (FIRST, LAST),
    (datetime(2026, 2, 28, 23, tzinfo=UTC), datetime(2026, 4, 30, 22, tzinfo=UTC)),
    (datetime(2026, 3, 28, 23, tzinfo=UTC), datetime(2026, 3, 29, 22, tzinfo=UTC)),
    (datetime(2026, 5, 5, 4, tzinfo=UTC), datetime(2026, 5, 5, 20, tzinfo=UTC)),
    (datetime(2026, 5, 5, 4, tzinfo=UTC), datetime(2026, 5, 6, 20, tzinfo=UTC)),
    (datetime(2026, 5, 5, 4, tzinfo=UTC), datetime(2026, 6, 1, 20, tzinfo=UTC)),
    (datetime(2026, 5, 5, 4, tzinfo=UTC), datetime(2026, 5, 5, 4, tzinfo=UTC)),
]


@pytest.mark.parametrize("kind", [EntryKind.PRODUCTION, EntryKind.SAMPLE])
def test_every_count_is_that_of_the_entries_one_by_one(session: Session, kind: EntryKind) -> None:
    write_spread(session)
    one_machine = EntryFilter(machine_ids=(machine_id(session, "1-2"),))
    for asked, by, bucket in [*ASKED, (one_machine, ("defect", "bucket"), Bucket.DAY)]:
        for start, end in PERIODS:
            wanted = replace(asked, start=start, end=end, kind=kind)
            assert counted(session, wanted, by, bucket) == by_hand(session, wanted, by, bucket), (
                wanted,
                by,
            )


def counted(
    session: Session, asked: EntryFilter, by: Sequence[By], bucket: Bucket
) -> Counter[tuple[Any, ...]]:
    """What the counts say: entries, occurrences or inspected, and cans by group."""
    found: Counter[tuple[Any, ...]] = Counter()
    if asked.kind is EntryKind.PRODUCTION:
        made = production_counts(session, asked, by, bucket)
        rows = [(one, (one.entries, one.counted_occurrences, one.cans)) for one in made]
    else:
        looked = sample_counts(session, asked, by, bucket)
        rows = [(one, (one.samples, one.inspected, one.cans)) for one in looked]
    for group, values in rows:
        key = tuple(getattr(group, _FIELDS.get(name, name)) for name in by)
        assert (*key, "entries") not in found
        for name, value in zip(("entries", "measure", "cans"), values, strict=True):
            found[*key, name] = value
    return found


_FIELDS = {"machine": "machine_id", "bucket": "bucket_start"}


def by_hand(
    session: Session, asked: EntryFilter, by: Sequence[By], bucket: Bucket
) -> Counter[tuple[Any, ...]]:
    assert asked.start is not None
    assert asked.end is not None
    rota = the_plant(session).rota
    found = periods(bucket, asked.start, asked.end, ZONE, rota)
    sums: Counter[tuple[Any, ...]] = Counter()
    for row in entries(session, asked, 1000).rows:
        key = tuple(_told(row, name, found) for name in by)
        measure = row.counted_occurrences if row.inspected is None else row.inspected
        for name, value in (("entries", 1), ("measure", measure), ("cans", row.cans)):
            sums[*key, name] += value
    return sums


def _told(row: EntryView, name: By, found: Sequence[Any]) -> Any:
    if name == "bucket":
        period = period_of(found, row.occurred_at)
        assert period is not None
        return period.start
    return getattr(row, _FIELDS.get(name, name))


def test_every_settled_machine_is_one_that_tallies_ask_for(session: Session) -> None:
    write_spread(session)
    settled = session.execute(select(CurrentEntry.machine_id).distinct()).scalars()
    known = {machine.id for machine in directory(session).machines.values()}
    assert {one for one in settled if one} <= known


def test_a_day_before_the_first_reading_is_tallied_too(session: Session) -> None:
    logged(session, -4000)
    asked = EntryFilter(start=hour(-5000), end=hour(0))
    (row,) = production_counts(session, asked)
    assert row.entries == 1
