"""The server's clock is set back, by an hour or a year: nothing that is kept depends on it."""

from datetime import timedelta

import pytest
from flask import Flask
from sqlalchemy import Engine, select
from werkzeug.test import TestResponse

from tests.faults.entries import check_whole, entry, furnish_place
from tests.support.clock import Clock
from tracelog.audit import AuditRecord
from tracelog.db import new_id, reading
from tracelog.defects.models import Entry


@pytest.mark.parametrize("back", [timedelta(hours=1), timedelta(days=40)], ids=str)
def test_entries_and_the_audit_trail_go_on_when_the_clock_is_set_back(
    application: Flask, own_engine: Engine, clock: Clock, back: timedelta
) -> None:
    token = furnish_place(own_engine)
    client = application.test_client()

    def send(one: dict[str, object]) -> TestResponse:
        return client.post(
            "/api/v1/defects", json=one, headers={"Authorization": f"Bearer {token}"}
        )

    # What was found by the clock of before lies ahead of the one of now.
    entries = [entry(number) for number in range(-4000, -3990)]
    assert [send(one).status_code for one in entries[:5]] == [201] * 5
    before = _moments(own_engine)[-1]
    clock.forward(-back)
    assert send(entries[0]).status_code == 200, "it was kept, and is known again"
    later = [send(one) for one in entries[5:]]
    # Either taken, or refused with the sentence that says so: never half, never doubled.
    kept = 5 + sum(answer.status_code == 201 for answer in later)
    for answer in later:
        assert answer.status_code in (201, 422), answer.text
        assert answer.status_code == 201 or "clock" in answer.text or "future" in answer.text
    with reading(own_engine) as session:
        assert len(session.execute(select(Entry.id)).all()) == kept
    moments = _moments(own_engine)
    assert back < timedelta(days=1) or kept == 5 or moments[-1] < before
    check_whole(own_engine)


def _moments(engine: Engine) -> list[object]:
    """When each audit record was written, in the order of the chain."""
    with reading(engine) as session:
        asked = select(AuditRecord.at, AuditRecord.sequence).order_by(AuditRecord.sequence)
        rows = session.execute(asked).all()
    assert [row.sequence for row in rows] == list(range(1, len(rows) + 1))
    return [row.at for row in rows]


def test_ids_made_by_one_process_are_in_order_and_no_two_alike() -> None:
    made = [new_id() for _ in range(10_000)]
    assert made == sorted(made)
    assert len({*made}) == len(made)
