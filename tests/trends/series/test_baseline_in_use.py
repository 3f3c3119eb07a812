"""The frozen baseline sets the limits of its series, and nobody else's."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from sqlalchemy.orm import Session

from tests.trends.series.test_frozen_baselines import baseline, keep
from tests.trends.small_log import DAYS, WRITTEN_AT, ZONE, day, entry, write_log
from tracelog.audit import Actor
from tracelog.buckets import Bucket
from tracelog.errors import Conflict, TracelogError, UnknownReference
from tracelog.outcomes import Became
from tracelog.plant.queries import directory
from tracelog.trends.charts import chart
from tracelog.trends.questions import ChartQuestion
from tracelog.trends.rules import ChartKind
from tracelog.trends.series.actions import freeze_baseline
from tracelog.trends.series.facts import BaselineWish
from tracelog.trends.series.queries import latest_words
from tracelog.trends.series.rules import Event, EventKind, proposed_baseline

COUNTS = [1, 2, 1, 2, 9, 9, 9, 9, 9, 9]
DAILY = ChartQuestion(day(0), day(DAYS), kind=ChartKind.U, bucket=Bucket.DAY, defects=("split",))
ROBIN = Actor("Robin", "quality", "page")
KIM = Actor("Kim", "supervisor", "page")
NOW = WRITTEN_AT + timedelta(days=30)


def _log(session: Session) -> None:
    write_log(session, [entry(n, "1-1", "split", cans=count) for n, count in enumerate(COUNTS)])


def _wish(**values: object) -> BaselineWish:
    row = {"evidence": "production", "of": "split", "reason": "calm"}
    return BaselineWish.read(row | {"starts_at": day(0), "ends_at": day(4)} | values, ZONE)


def test_a_frozen_baseline_sets_the_limits(session: Session) -> None:
    _log(session)
    usual = chart(session, DAILY)
    keep(session, baseline(1))
    drawn = chart(session, DAILY)
    assert drawn.centre == pytest.approx(1.5 / 4)
    assert usual.centre == pytest.approx(6.0 / 4)
    assert drawn.frozen_in_use is not None
    assert drawn.baseline == (day(0), day(4))
    assert [point.is_baseline for point in drawn.points] == [True] * 4 + [False] * 6


def test_it_sets_them_also_where_it_lies_before_the_period(session: Session) -> None:
    _log(session)
    keep(session, baseline(1))
    whole = chart(session, DAILY).points[5:]
    part = chart(session, replace(DAILY, start=day(5))).points
    assert [(one.value, one.upper, one.lower) for one in part] == [
        (one.value, one.upper, one.lower) for one in whole
    ]
    assert [point.number for point in part] == [1, 2, 3, 4, 5]
    assert not any(point.is_baseline for point in part)


def test_it_is_of_its_own_series_only(session: Session) -> None:
    _log(session)
    keep(session, baseline(1))
    machine = directory(session).machine_named("1-1")
    others = (
        replace(DAILY, machine=machine),
        replace(DAILY, line=1),
        replace(DAILY, defects=()),
        replace(DAILY, defects=("split", "wrinkle")),
    )
    assert [chart(session, other).baseline for other in others] == [None] * 4


def test_kinds_are_the_same_series_in_any_order(session: Session) -> None:
    _log(session)
    keep(session, baseline(1, of="wrinkle,split"))
    for kinds in (("split", "wrinkle"), ("wrinkle", "split")):
        assert chart(session, replace(DAILY, defects=kinds)).baseline == (day(0), day(4))


def test_another_one_for_a_single_look_goes_first(session: Session) -> None:
    _log(session)
    keep(session, baseline(1))
    drawn = chart(session, replace(DAILY, baseline=(day(4), day(DAYS))))
    assert drawn.centre == pytest.approx(9 / 4)
    assert drawn.frozen_in_use is None


def test_what_was_frozen_later_was_not_in_use_before(session: Session) -> None:
    _log(session)
    keep(session, baseline(5))
    early = replace(DAILY, as_of=WRITTEN_AT + timedelta(hours=4))
    assert chart(session, early).baseline is None
    late = replace(DAILY, as_of=WRITTEN_AT + timedelta(hours=6))
    assert chart(session, late).baseline == (day(0), day(4))


def test_a_frozen_baseline_that_holds_nothing_is_told_and_left(session: Session) -> None:
    _log(session)
    keep(session, baseline(1, starts_at=day(-9), ends_at=day(-5)))
    drawn = chart(session, DAILY)
    assert drawn.baseline is None
    assert "the frozen baseline holds nothing here" in drawn.notes[0]
    assert drawn.centre == pytest.approx(6.0 / 4)


def test_freezing_is_kept_once_with_its_person_and_reason(session: Session) -> None:
    _log(session)
    outcome, key = freeze_baseline(session, _wish(), ROBIN, NOW)
    again, same = freeze_baseline(session, _wish(), ROBIN, NOW)
    assert (outcome.became, again.became) == (Became.CREATED, Became.UNCHANGED)
    assert key == same
    [word] = latest_words(session)
    assert (word.frozen_by, word.reason, word.frozen_at) == ("Robin", "calm", NOW)


def test_the_second_of_two_is_told_what_the_first_has_done(session: Session) -> None:
    _log(session)
    _outcome, first = freeze_baseline(session, _wish(), ROBIN, NOW)
    with pytest.raises(Conflict, match="Robin froze another baseline"):
        freeze_baseline(session, _wish(ends_at=day(6)), KIM, NOW)
    wish = _wish(ends_at=day(6), instead_of=str(first))
    outcome, _second = freeze_baseline(session, wish, KIM, NOW)
    assert outcome.became is Became.CREATED
    [word] = latest_words(session)
    assert (word.frozen_by, word.end) == ("Kim", day(6))
    # The latest counts, although the clock did not move on.
    assert word.frozen_at > NOW


@pytest.mark.parametrize(
    ("values", "error", "field"),
    [
        ({"ends_at": NOW + timedelta(days=1)}, TracelogError, "ends_at"),
        ({"starts_at": None, "ends_at": None}, TracelogError, "starts_at"),
        ({"of": "spilt"}, UnknownReference, "of"),
        ({"line": 9}, UnknownReference, "line"),
        ({"line": 1, "bodymaker": 9}, UnknownReference, "bodymaker"),
    ],
)
def test_what_cannot_be_frozen_is_told_at_its_field(
    session: Session, values: dict[str, object], error: type[TracelogError], field: str
) -> None:
    _log(session)
    with pytest.raises(error) as told:
        freeze_baseline(session, _wish(**values), ROBIN, NOW)
    assert told.value.field == field
    assert latest_words(session) == []


def _event(at: datetime, kind: EventKind, machine: str | None = "1-1") -> Event:
    return Event(at, kind, "one", "", machine, 1)


def test_the_last_of_the_machines_own_events_speaks_for_a_new_baseline() -> None:
    events = [
        _event(day(2), EventKind.SERVICE),
        _event(day(5), EventKind.FITTED),
        _event(day(6), EventKind.SERVICE),
        _event(day(7), EventKind.CHANGE, None),
        _event(day(8), EventKind.COIL, None),
    ]
    frozen = (day(0), day(4))
    proposed = proposed_baseline(events, frozen, is_one_machine=True, shown_until=day(9))
    assert proposed is not None
    assert (proposed.start, proposed.end) == (day(6), day(9))
    line = proposed_baseline(events, frozen, is_one_machine=False, shown_until=day(9))
    assert line is not None
    assert line.start == day(7)


def test_nothing_is_proposed_without_a_frozen_baseline_or_after_nothing_happened() -> None:
    events = [_event(day(2), EventKind.SERVICE), _event(day(8), EventKind.COIL, None)]
    until = day(9)
    assert proposed_baseline(events, None, is_one_machine=True, shown_until=until) is None
    frozen = (day(0), day(4))
    assert proposed_baseline(events, frozen, is_one_machine=True, shown_until=until) is None
