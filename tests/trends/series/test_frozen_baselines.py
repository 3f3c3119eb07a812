"""Which frozen baseline counts, of which series, and what was known when."""

from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trends.small_log import WRITTEN_AT, ZONE, day, write_log
from tracelog.audit import Actor
from tracelog.outcomes import Became
from tracelog.plant.queries import directory
from tracelog.trends.series.actions import record_baselines
from tracelog.trends.series.facts import BaselineFact
from tracelog.trends.series.queries import FrozenBaselineView, frozen_baselines, latest_words

ACTOR = Actor("Robin", "quality", "import")


def baseline(hours: int, **values: object) -> BaselineFact:
    """A baseline of the first four days, frozen some hours after the log was written."""
    row: dict[str, object] = {
        "evidence": "production",
        "of": "split",
        "starts_at": day(0),
        "ends_at": day(4),
        "reason": "a calm week",
        "frozen_at": WRITTEN_AT + timedelta(hours=hours),
        "frozen_by": "Robin",
    }
    return BaselineFact.read(row | values, ZONE)


def keep(session: Session, *facts: BaselineFact) -> list[Became]:
    """Record baselines."""
    return [one.became for one in record_baselines(session, facts, ACTOR, WRITTEN_AT)]


def periods(found: list[FrozenBaselineView]) -> list[tuple[datetime, datetime] | None]:
    return [one.period for one in found]


def test_the_latest_of_each_series_counts(session: Session) -> None:
    write_log(session, [])
    keep(
        session,
        baseline(2, ends_at=day(6)),
        baseline(1),
        baseline(1, line=1, bodymaker=1),
        baseline(3, line=1),
        baseline(4, of="wrinkle, split"),
    )
    found = frozen_baselines(session)
    machine = directory(session).machine_named("1-1").id
    assert [(one.machine_id, one.line, one.defects) for one in found] == [
        (machine, None, ("split",)),
        (None, None, ("split",)),
        (None, 1, ("split",)),
        (None, None, ("split", "wrinkle")),
    ]
    assert found[1].period == (day(0), day(6))


def test_a_row_without_a_period_goes_back_to_the_usual(session: Session) -> None:
    write_log(session, [])
    keep(session, baseline(1), baseline(2, starts_at=None, ends_at=None, reason="too short"))
    assert frozen_baselines(session) == []
    [word] = latest_words(session)
    assert (word.period, word.reason) == (None, "too short")


def test_what_was_frozen_later_was_not_known_before(session: Session) -> None:
    write_log(session, [])
    keep(session, baseline(1), baseline(5, ends_at=day(6)))
    before = frozen_baselines(session, WRITTEN_AT + timedelta(hours=4))
    assert periods(before) == [(day(0), day(4))]
    assert frozen_baselines(session, WRITTEN_AT) == []


def test_all_series_are_read_at_once(session: Session, statements: Statements) -> None:
    write_log(session, [])
    keep(session, *(baseline(n, line=1, bodymaker=n) for n in (1, 2, 3)))
    with statements.counted() as sent:
        assert len(frozen_baselines(session)) == 3
    assert len(sent) == 1


def test_the_same_baseline_twice_is_one(session: Session) -> None:
    write_log(session, [])
    assert keep(session, baseline(1)) == [Became.CREATED]
    assert keep(session, baseline(1)) == [Became.UNCHANGED]
    assert keep(session, baseline(1, reason="another")) == [Became.REFUSED]
