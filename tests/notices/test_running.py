"""In the background news are found and sent without anybody asking, whatever goes wrong."""

import logging
import threading
import time
import uuid

import pytest
from sqlalchemy import Engine

from tests.notices.subscribing import NOW, ZONE, Mailbox, asks, complaint, everything, find
from tests.support.site import CAST
from tests.support.testrun import PATIENCE_SECONDS
from tracelog.audit import Actor
from tracelog.cases.complaints.actions import write_complaint
from tracelog.cases.complaints.facts import ComplaintFact
from tracelog.db import writing
from tracelog.errors import TracelogError
from tracelog.notices import running
from tracelog.notices.delivering import Sender
from tracelog.notices.facts import Kind
from tracelog.notices.running import Notifier
from tracelog.trends.signals.watching import Watcher


def wait_for(mailbox: Mailbox, count: int) -> None:
    give_up_at = time.monotonic() + PATIENCE_SECONDS
    while len(mailbox.letters) < count:
        assert time.monotonic() < give_up_at
        time.sleep(0.05)


def test_what_comes_in_is_found_and_sent_after_signals_were_brought_up_to_date(
    plant: Engine,
    sara: Actor,
    sender: Sender,
    mailbox: Mailbox,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(running, "_GATHER_SECONDS", 0.1)
    asks(plant, sara)
    notifier = Notifier(plant, sender.settings)
    stop = threading.Event()
    thread = notifier.start(stop)
    watcher = Watcher(plant, notifier.tell)
    with writing(plant) as session:
        said = {"id": str(uuid.uuid4()), "received_at": NOW, "pallet": "P1"}
        write_complaint(session, ComplaintFact.read(said, ZONE), CAST["quality"].actor(), NOW)
    watcher.tell()
    wait_for(mailbox, 1)
    stop.set()
    notifier.tell()
    thread.join(PATIENCE_SECONDS)
    assert not thread.is_alive()


def test_what_cannot_be_found_does_not_keep_back_what_is_due(
    plant: Engine,
    sara: Actor,
    sender: Sender,
    mailbox: Mailbox,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    def fail(*_asked: object) -> int:
        raise TracelogError("the forecast failed")

    asks(plant, sara)
    find(plant, complaint(1))
    monkeypatch.setattr(running, "find_news", fail)
    with caplog.at_level(logging.ERROR):
        Notifier(plant, sender.settings).look(came_in=True)
    assert "notices could not be found or sent" in caplog.text
    assert [one.state for one in everything(plant)[1]] == ["sent"]
    assert len(mailbox.letters) == 1


def test_services_are_forecast_now_and_then_and_not_after_each_write(
    plant: Engine, sender: Sender, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[set[Kind]] = []

    def note(_engine: Engine, kinds: set[Kind]) -> int:
        asked.append(kinds)
        return 0

    monkeypatch.setattr(running, "find_news", note)
    notifier = Notifier(plant, sender.settings)
    for came_in in (False, True, False):
        notifier.look(came_in=came_in)
    assert asked == [set(Kind), set(Kind) - {Kind.SERVICE}]
