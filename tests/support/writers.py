"""Processes that write to one database: a web worker and a collector, each as the real one does."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from multiprocessing.queues import SimpleQueue
from multiprocessing.synchronize import Barrier
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from tests.api.plant import ZONE
from tests.support.databases import open_engine
from tests.support.site import application_on
from tracelog.audit import Actor
from tracelog.db import new_id
from tracelog.instants import now
from tracelog.intake.arrivals import Arrival, ArrivalBook, CollectedReading
from tracelog.intake.reject_rules import Arrived
from tracelog.plant.queries import PlantView
from tracelog.strokes.facts import ReadingFact

PATIENCE_SECONDS = 90
BEGINS_AT = datetime(2026, 3, 2, 6, tzinfo=UTC)
BATCHES, READINGS_OF_A_BATCH = 4, 20


def entry(number: int) -> dict[str, Any]:
    """The n-th entry; no two say the same."""
    at = (BEGINS_AT + timedelta(seconds=number)).isoformat()
    return {
        "id": str(new_id()),
        "seen_at": at,
        "logged_at": at,
        "cans": 1 + number % 3,
        "dome_code": f"1-{1 + number % 3}",
        "defect": "split",
        "found_at": "trimmer",
    }


def be_web_worker(
    url: str, folder: Path, token: str, entries: Sequence[Any], go: Barrier, told: SimpleQueue[Any]
) -> None:
    """Take in entries one by one, as a worker does, and tell what was answered."""
    engine = open_engine(url)
    client = application_on(engine, folder).test_client()
    headers = {"Authorization": f"Bearer {token}"}
    go.wait(PATIENCE_SECONDS)
    statuses = [
        (one["id"], client.post("/api/v1/defects", json=one, headers=headers).status_code)
        for one in entries
    ]
    engine.dispose()
    told.put(("entries", statuses))


def be_collector(url: str, first: int, go: Barrier, told: SimpleQueue[Any]) -> None:
    """Keep batches of readings of two machines; half of each was brought by the batch before."""
    engine = open_engine(url)
    book = ArrivalBook(engine, Actor("collector", "collector", "mqtt"), lambda _seconds: False)
    go.wait(PATIENCE_SECONDS)
    created = 0
    for batch in range(BATCHES):
        kept = book.keep(batch_of(first + batch * READINGS_OF_A_BATCH // 2))
        assert kept is not None
        assert kept.rejects == ()
        created += kept.created
    engine.dispose()
    told.put(("readings", created))


def batch_of(first: int) -> Callable[[Session, PlantView], Sequence[Arrival]]:
    """A batch of readings from the n-th on, of two machines."""

    def read(_session: Session, _plant: PlantView) -> Sequence[Arrival]:
        return [
            CollectedReading(
                ReadingFact.read(
                    {
                        "line": 1,
                        "bodymaker": machine,
                        "read_at": (BEGINS_AT + timedelta(seconds=30 * number)).isoformat(),
                        "strokes": 150 * number,
                    },
                    ZONE,
                ),
                Arrived("mqtt", "tests", b"", now(), 0),
            )
            for number in range(first, first + READINGS_OF_A_BATCH)
            for machine in (1, 2)
        ]

    return read
