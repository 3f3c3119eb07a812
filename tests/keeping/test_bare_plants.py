"""The check of everything on a plant of which little is known yet."""

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import delete
from sqlalchemy.orm import Session

from tests.defects.small_plant import ACTOR, MORNING, write_plant
from tracelog.defects.models import DefectType
from tracelog.keeping.integrity import look_over
from tracelog.strokes.actions import record_readings
from tracelog.strokes.facts import ReadingFact

DAYS = 40


@pytest.mark.parametrize("has_kinds", [True, False])
def test_a_plant_that_counts_and_has_logged_nothing_is_looked_over(
    session: Session, has_kinds: bool
) -> None:
    write_plant(session)
    if not has_kinds:
        session.execute(delete(DefectType))
    facts = [
        ReadingFact(
            line=1, bodymaker=1, read_at=MORNING + timedelta(hours=hour), strokes=18_000 * hour
        )
        for hour in range(24 * DAYS)
    ]
    now = datetime(2026, 4, 1, tzinfo=UTC)
    assert all(outcome.is_kept for outcome in record_readings(session, facts, ACTOR, now))
    found = look_over(session, now, rebuild=False)
    assert found.references == []
    assert found.derived == []
