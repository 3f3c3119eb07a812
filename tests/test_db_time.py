"""What databases work out of instants is what Python makes of them."""

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import literal, select
from sqlalchemy.orm import Session

from tracelog.db import UtcInstant
from tracelog.db_time import MinutesBetween, WholeSeconds

MOMENTS = (
    datetime(1969, 12, 31, 23, 59, 58, tzinfo=UTC),
    datetime(2026, 3, 29, 0, 59, 59, 999_000, tzinfo=UTC),
    datetime(2026, 3, 29, 1, 0, tzinfo=UTC),
    datetime(2026, 10, 25, 1, 30, 0, 1_000, tzinfo=UTC),
    datetime(2099, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC),
)


@pytest.mark.parametrize("moment", MOMENTS)
def test_whole_seconds_are_those_before_the_instant(session: Session, moment: datetime) -> None:
    found = session.execute(select(WholeSeconds(literal(moment, UtcInstant())))).scalar_one()
    assert found == int(moment.timestamp() // 1)


@pytest.mark.parametrize("moment", MOMENTS)
@pytest.mark.parametrize("apart", [0, 0.125, 95, 1440 * 400, -7.5])
def test_minutes_are_right_to_the_millisecond(
    session: Session, moment: datetime, apart: float
) -> None:
    later = moment + timedelta(minutes=apart)
    asked = MinutesBetween(literal(moment, UtcInstant()), literal(later, UtcInstant()))
    found = session.execute(select(asked)).scalar_one()
    assert found == pytest.approx(apart, abs=2 / 60_000)
