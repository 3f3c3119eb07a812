"""Which check was the last good one, and what does not clear cans."""

from datetime import UTC, datetime, timedelta

from tracelog.reference import routine_checks
from tracelog.trace.suspects.checks import (
    Check,
    CheckKind,
    Event,
    EventKind,
    Found,
    Record,
    characteristics_that_see,
    choose,
    widest,
)

START = datetime(2026, 3, 1, tzinfo=UTC)
NOW = START + timedelta(hours=100)


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


def check(hours: float, bad: int = 0, cans: int = 20, behind: float = 0.0) -> Check:
    return Check(
        CheckKind.SAMPLE, "split", at(hours), at(hours - behind), at(hours), cans, bad, None
    )


def found(hours: float) -> Found:
    return Found(at(hours), at(hours), 1)


def event(hours: float, kind: EventKind = EventKind.SERVICE, is_of_line: bool = False) -> Event:
    return Event(kind, at(hours), "x", is_of_line)


def test_the_latest_good_check_before_the_bad_can_counts() -> None:
    record = Record((check(1), check(5), check(9, bad=2), check(12)), (found(9),))
    chosen = choose(record, at(10), NOW)
    assert chosen.good == check(5)
    assert chosen.first_bad == at(9)


def test_a_sample_behind_the_washer_clears_only_what_was_made_before() -> None:
    chosen = choose(Record((check(5, behind=1.5),)), at(10), NOW)
    assert chosen.good is not None
    assert chosen.good.made_from == at(3.5)


def test_a_fault_that_comes_and_goes_is_not_cleared_by_a_few_cans() -> None:
    record = Record((check(1), check(8)), (found(4), found(10)))
    chosen = choose(record, at(10), NOW)
    assert chosen.good == check(1)
    assert chosen.passed_over == (check(8),)
    assert chosen.first_bad == at(4)


def test_after_a_repair_a_good_check_clears_all_the_same() -> None:
    record = Record((check(1), check(8)), (found(4), found(10)), (event(6),))
    assert choose(record, at(10), NOW).good == check(8)
    of_line = Record((check(1), check(8)), (found(4), found(10)), (event(6, is_of_line=True),))
    assert choose(of_line, at(10), NOW).good == check(1)


def test_without_any_check_the_last_event_is_proposed() -> None:
    record = Record(
        (), (found(10),), (event(2, EventKind.COIL), event(7, EventKind.JAM), event(11))
    )
    chosen = choose(record, at(10), NOW)
    assert chosen.good is None
    assert chosen.before == event(7, EventKind.JAM)


def test_without_any_check_only_what_goes_together_is_one_fault() -> None:
    record = Record((), (found(10), found(30), found(60), found(75)))
    assert choose(record, at(76), NOW).first_bad == at(60)


def test_the_end_is_the_first_good_check_after_the_repair_that_held() -> None:
    repairs = (event(12), event(20), event(21, EventKind.JAM))
    record = Record((check(13), check(22), check(30)), (found(10), found(15)), repairs)
    chosen = choose(record, at(10), NOW)
    # It was found again after the first repair.
    assert chosen.repair == event(20)
    assert chosen.verified == check(22)


def test_a_repair_that_nobody_checked_is_not_verified() -> None:
    chosen = choose(Record((check(5),), (), (event(12),)), at(10), NOW)
    assert chosen.repair == event(12)
    assert chosen.verified is None


def test_several_machines_can_only_widen() -> None:
    one = choose(Record((check(5), check(30)), (), (event(12),)), at(10), NOW)
    other = choose(Record((check(2), check(40)), (), (event(20),)), at(10), NOW)
    both = widest([one, other])
    assert both.good == check(2)
    assert both.repair == event(20)
    assert both.verified == check(40)
    unknown = choose(Record(), at(10), NOW)
    assert widest([one, unknown]).good is None
    assert widest([one, unknown]).repair is None


def test_a_check_clears_only_what_it_can_see() -> None:
    checks = routine_checks()
    assert characteristics_that_see("wall-off-gauge", checks) >= {"thin-wall", "body-weight"}
    assert "thin-wall" not in characteristics_that_see("wall-uneven", checks)
    assert characteristics_that_see("pinhole", checks) == set()
    assert "enamel-rating" in characteristics_that_see("coat-void", checks)
