"""References without a constraint are looked up by the check of everything."""

import uuid
from datetime import UTC, datetime

from sqlalchemy import insert
from sqlalchemy.orm import Session

from tests.strokes.counters import make_plant
from tracelog.keeping.integrity import broken_references
from tracelog.strokes.models import Reading
from tracelog.strokes.rules import CounterLimits


def test_a_reading_of_no_machine_and_without_a_record_is_told(session: Session) -> None:
    make_plant(session, "Europe/Madrid", {7: CounterLimits()})
    assert broken_references(session) == []
    lost = {"machine_id": uuid.uuid4(), "audit_id": uuid.uuid4(), "strokes": 1}
    # Past the application: by itself no action writes such a row.
    row = {**lost, "read_at": datetime(2026, 3, 2, 9, tzinfo=UTC)}
    session.connection().execute(insert(Reading.__table__), row)  # type: ignore[arg-type]
    assert broken_references(session) == [
        "1 rows of readings have a machine_id that leads nowhere",
        "1 rows of readings have a audit_id that leads nowhere",
    ]
