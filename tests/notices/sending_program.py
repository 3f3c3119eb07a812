"""A worker that finds and sends notices until somebody ends it, for the tests that do."""

from datetime import timedelta
from multiprocessing.synchronize import Event
from pathlib import Path

from tests.notices.subscribing import NOW, complaint, find, settings_of
from tests.support.databases import open_engine
from tracelog import instants
from tracelog.notices.delivering import Sender


def work(url: str, folder: str, smtp_port: int, later: int, complaints: int, ready: Event) -> None:
    """Find so many complaints one after the other, and send after each.

    The clock goes `later` minutes ahead, so that the leases of workers before are over.
    """
    moment = NOW + timedelta(minutes=later)
    instants.now = lambda: moment
    engine = open_engine(url)
    settings = settings_of(
        engine,
        Path(folder),
        smtp_url=f"smtp-plain://127.0.0.1:{smtp_port}",
        smtp_from="tracelog@plant.example",
        webhook_reach="any",
    )
    sender = Sender(engine, settings)
    ready.set()
    for number in range(complaints):
        find(engine, complaint(number), at=moment)
        sender.send_due()
    engine.dispose()
