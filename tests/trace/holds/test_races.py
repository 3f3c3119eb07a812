"""Two people at once: each hold has a number of its own, and one decision about a pallet counts."""

from threading import Barrier, Thread
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import Engine, select

from tests.support.clock import Clock
from tests.support.site import Cast, Visit
from tests.trace.holds.small_stock import MINUTE, NOW, held, write_stock
from tracelog.audit import broken_links
from tracelog.db import new_id, reading, writing
from tracelog.trace.holds.facts import StepKind
from tracelog.trace.holds.queries import HoldFilter, hold_numbered, holds
from tracelog.trace.models import HoldStep


@pytest.fixture
def two(
    visit: Visit, application: Flask, cast: Cast, own_engine: Engine, clock: Clock
) -> tuple[Visit, Visit]:
    """Two screens on which somebody of quality has signed in; hold 1 is on record."""
    with writing(own_engine) as session:
        write_stock(session)
        held(session)
    clock.instant = NOW + 5 * MINUTE
    other = Visit(application.test_client())
    for one in (visit, other):
        cast.sign_in(one, "quality")
        one.get("/holds/1")
    return visit, other


def at_once(two: tuple[Visit, Visit], path: str, sent: list[dict[str, Any]]) -> list[int]:
    """What two answer who send at the same time, in order of the status."""
    ready, statuses = Barrier(2), []

    def send(visit: Visit, fields: dict[str, Any]) -> None:
        ready.wait()
        statuses.append(visit.post(path, id=new_id(), **fields).status_code)

    threads = [Thread(target=send, args=pair) for pair in zip(two, sent, strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sorted(statuses)


def test_of_two_decisions_about_a_pallet_one_counts_and_the_other_is_told(
    two: tuple[Visit, Visit], own_engine: Engine
) -> None:
    decision = {"which": "ticked", "pallet": "P-1", "at": "2026-02-04T06:02", "reason": "seen"}
    sent = [decision | {"step": step} for step in ("released", "scrapped")]
    assert at_once(two, "/holds/1/pallets", sent) == [303, 409]
    with reading(own_engine) as session:
        steps = list(
            session.execute(select(HoldStep.step).where(HoldStep.pallet == "P-1")).scalars()
        )
        assert len(steps) == 2
        decided = hold_numbered(session, 1, NOW + 60 * MINUTE).pallets[0].standing.decision
        assert decided is not None
        assert decided.step in {StepKind.RELEASED, StepKind.SCRAPPED}
        assert broken_links(session) == []


def test_two_holds_raised_at_once_have_two_numbers(
    two: tuple[Visit, Visit], own_engine: Engine
) -> None:
    sent = [{"reason": reason, "pallets": "P-4"} for reason in ("dents", "splits")]
    assert at_once(two, "/holds", sent) == [303, 303]
    with reading(own_engine) as session:
        found = holds(session, HoldFilter(), NOW + 60 * MINUTE)
    assert [one.number for one in found] == [3, 2, 1]
    assert [one.held[0].also_in for one in found[:2]] == [(2,), (3,)]
