"""A sender that is killed at any instant loses nothing, and repeats itself at one point only.

That point lies between the other end's taking a message and our noting that it did. What is sent
again there has the same id, so that the other end can drop it.
"""

import email
import json
import multiprocessing
import random
import signal
import sys
import time
from collections import Counter
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.notices.sending_program import work
from tests.notices.subscribing import Mailbox, Receiver, asks, everything
from tests.support.testrun import PATIENCE_SECONDS
from tracelog.audit import Actor

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
COMPLAINTS = 10
KILLS = 6
# Longer than a lease, and than the waits that a killed attempt costs.
LATER_MINUTES = 30


FORKS = multiprocessing.get_context("forkserver" if sys.platform != "win32" else "spawn")


class Workers:
    """Workers on one database, one after the other, each with a clock that is further ahead."""

    def __init__(self, engine: Engine, folder: Path, mailbox: Mailbox) -> None:
        url = engine.url.render_as_string(hide_password=False)
        self._words = (url, str(folder), mailbox.port)
        self._started = 0
        self._running: BaseProcess | None = None

    def start(self) -> None:
        """One more; it has begun to work when this returns."""
        ready = FORKS.Event()
        words = (*self._words, self._started * LATER_MINUTES, COMPLAINTS, ready)
        self._running = FORKS.Process(target=work, args=words)
        self._running.start()
        self._started += 1
        assert ready.wait(PATIENCE_SECONDS)

    def kill(self) -> None:
        """As if the power failed."""
        if self._running is not None:
            self._running.kill()

    def end(self) -> int | None:
        """Wait until it ends, and tell how it did."""
        assert self._running is not None
        self._running.join(PATIENCE_SECONDS)
        return self._running.exitcode


def test_nothing_is_lost_and_what_comes_twice_has_the_same_id(
    plant: Engine, sara: Actor, mailbox: Mailbox, receiver: Receiver, tmp_path: Path
) -> None:
    dice = random.Random(7)
    asks(plant, sara)
    asks(plant, sara, way="webhook", address=receiver.url)
    workers = Workers(plant, tmp_path, mailbox)
    killing = {"left": 0}

    def on_taken() -> None:
        # Half of the time the worker dies while the other end has the message and it waits.
        killing["left"] -= 1
        if killing["left"] == 0:
            workers.kill()

    mailbox.on_data = receiver.on_call = on_taken
    kills = 0
    for round_ in range(KILLS):
        killing["left"] = dice.randint(1, 6) if round_ % 2 else 0
        workers.start()
        if not round_ % 2:
            time.sleep(dice.uniform(0.0, 0.4))
            workers.kill()
        kills += workers.end() == -signal.SIGKILL
    assert kills >= KILLS // 2
    killing["left"] = 0
    for _last in range(2):
        workers.start()
        assert workers.end() == 0
    notices, messages, attempts = everything(plant)
    assert len(notices) == len(messages) == 2 * COMPLAINTS
    assert {one.state for one in messages} == {"sent"}

    mails = [email.message_from_string(text) for _from, _to, text in mailbox.letters]
    by_mail = Counter(mail["Message-ID"].strip().strip("<>").split("@")[0] for mail in mails)
    by_call = Counter(headers["Tracelog-Message"] for _path, headers, _body in receiver.calls)
    arrived = by_mail + by_call
    assert {str(one.id) for one in messages} == set(arrived)
    # Each repetition is that of an attempt that was begun and never ended: one for each kill.
    repeated = {key: times - 1 for key, times in arrived.items() if times > 1}
    broken_off = Counter(str(one.message_id) for one in attempts if one.ended_at is None)
    assert sum(repeated.values()) <= kills
    for key, times in repeated.items():
        assert times <= broken_off[key]
    bodies: dict[str, set[bytes]] = {}
    for _path, headers, body in receiver.calls:
        bodies.setdefault(headers["Tracelog-Message"], set()).add(body)
        assert json.loads(body)["message"] == headers["Tracelog-Message"]
    assert all(len(found) == 1 for found in bodies.values())


def test_a_worker_that_dies_between_the_answer_and_its_note_sends_once_more_under_the_same_id(
    plant: Engine, sara: Actor, receiver: Receiver, mailbox: Mailbox, tmp_path: Path
) -> None:
    """The one point at which something can come twice, hit on purpose."""
    asks(plant, sara, way="webhook", address=receiver.url)
    workers = Workers(plant, tmp_path, mailbox)
    receiver.on_call = workers.kill
    workers.start()
    assert workers.end() == -signal.SIGKILL
    receiver.on_call = lambda: None
    workers.start()
    assert workers.end() == 0
    first, second = (headers["Tracelog-Message"] for _p, headers, _b in receiver.calls[:2])
    assert first == second
    attempts = [one for one in everything(plant)[2] if str(one.message_id) == first]
    assert [(one.number, one.ended_at is None) for one in attempts] == [(1, True), (2, False)]
    assert len(receiver.calls) == COMPLAINTS + 1


def test_two_workers_at_once_send_each_message_once(
    plant: Engine, sara: Actor, mailbox: Mailbox, receiver: Receiver, tmp_path: Path
) -> None:
    asks(plant, sara)
    asks(plant, sara, way="webhook", address=receiver.url)
    both = [Workers(plant, tmp_path, mailbox) for _worker in range(2)]
    for one in both:
        one.start()
    assert [one.end() for one in both] == [0, 0]
    assert len(mailbox.letters) == len(receiver.calls) == COMPLAINTS
    assert len({headers["Tracelog-Message"] for _p, headers, _b in receiver.calls}) == COMPLAINTS
    assert len(everything(plant)[2]) == 2 * COMPLAINTS
