"""Web workers and collectors, processes of their own, write to one database at once."""

import multiprocessing
import uuid
from collections import Counter
from pathlib import Path

import pytest
from sqlalchemy import func, select

from tests.api.plant import BY, furnish
from tests.support.databases import open_engine
from tests.support.site import JOINED_AT
from tests.support.writers import (
    BATCHES,
    PATIENCE_SECONDS,
    READINGS_OF_A_BATCH,
    be_collector,
    be_web_worker,
    entry,
)
from tracelog.db import reading, writing
from tracelog.defects.models import Entry
from tracelog.instants import now
from tracelog.keeping.integrity import look_over
from tracelog.people.actions import create_account, create_token
from tracelog.people.queries import account_named
from tracelog.strokes.models import Reading

WORKERS = COLLECTORS = 2
ENTRIES = 6

pytestmark = pytest.mark.skipif(
    "forkserver" not in multiprocessing.get_all_start_methods(), reason="nothing can fork here"
)


def test_nothing_is_lost_or_doubled_and_the_chain_is_whole(
    database_url: str, tmp_path: Path
) -> None:
    engine = open_engine(database_url)
    with writing(engine) as session:
        furnish(session)
        create_account(session, "gate", "Gate", "administrator", "seven quiet lids", BY, JOINED_AT)
        account = account_named(session, "gate")
        token = create_token(session, account, "gate", "administrator", BY, JOINED_AT)
    entries = [entry(number) for number in range(ENTRIES)]
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tracelog.web.application"])
    go, told = context.Barrier(WORKERS + COLLECTORS), context.SimpleQueue()
    # All workers are sent the same; each collector begins where another is already.
    processes = [
        context.Process(target=be_web_worker, args=(database_url, tmp_path, token, own, go, told))
        for own in (entries, entries[::-1])
    ] + [
        context.Process(target=be_collector, args=(database_url, first, go, told))
        for first in (0, READINGS_OF_A_BATCH)
    ]
    for process in processes:
        process.start()
    for process in processes:
        process.join(PATIENCE_SECONDS)
        process.kill()
    assert [process.exitcode for process in processes] == [0] * len(processes)
    answers = [told.get() for _process in processes]

    statuses = Counter(pair for kind, found in answers if kind == "entries" for pair in found)
    for one in entries:
        assert statuses[one["id"], 201] == 1
        assert statuses[one["id"], 200] == WORKERS - 1
    reach = READINGS_OF_A_BATCH * (BATCHES + 1) // 2
    wanted = 2 * (READINGS_OF_A_BATCH + reach)
    assert sum(found for kind, found in answers if kind == "readings") == wanted
    with reading(engine) as session:
        kept = session.scalars(select(Entry.id)).all()
        assert sorted(kept) == sorted(uuid.UUID(one["id"]) for one in entries)
        assert session.scalar(select(func.count()).select_from(Reading)) == wanted
    with writing(engine) as session:
        report = look_over(session, now(), rebuild=False)
        assert report.is_whole, report
    engine.dispose()
