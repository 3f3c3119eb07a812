"""Whatever happens to the server or its clients, what was acknowledged is there, once."""

import os
import random
import signal
import time
from collections.abc import Callable

import pytest

from tests.faults import rounds
from tests.faults.entries import Account
from tests.faults.rounds import Place
from tests.faults.servers import is_answering
from tracelog.web.commands import STOP_SECONDS


def test_a_server_that_is_killed_has_lost_nothing(place: Place, chance: random.Random) -> None:
    account = rounds.kill_server(place, chance)
    assert place.check() >= len(account.acknowledged) > 0


def test_a_worker_that_is_killed_is_started_again_and_the_other_goes_on(
    place: Place, chance: random.Random
) -> None:
    account = rounds.kill_worker(place, chance)
    assert place.check() >= len(account.acknowledged)


@pytest.mark.parametrize("stop", [rounds.stop_server, rounds.interrupt_server])
def test_a_stop_signal_lets_requests_finish(
    place: Place, chance: random.Random, stop: Callable[[Place, random.Random], Account]
) -> None:
    account = stop(place, chance)
    assert place.check() >= len(account.acknowledged)


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_a_stop_signal_ends_a_worker_that_is_still_loading(place: Place) -> None:
    before = set(place.server.workers())
    os.kill(min(before), signal.SIGKILL)
    rounds.until(lambda: len(set(place.server.workers()) - before) == 1)
    asked_at = time.monotonic()
    assert place.server.stop() == 0
    assert time.monotonic() - asked_at < STOP_SECONDS - 5, "it was waited for until it was killed"
    place.server.start()


def test_a_client_that_vanishes_leaves_whole_entries_or_none(
    place: Place, chance: random.Random
) -> None:
    account = rounds.break_pipe(place, chance)
    assert len(account.acknowledged) == 4
    assert place.check() >= 4


def test_the_same_entries_from_several_clients_are_kept_once(
    place: Place, chance: random.Random
) -> None:
    account = rounds.write_the_same(place, chance)
    assert len(account.acknowledged) == 4
    assert place.check() >= 4


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_workers_end_with_the_process_that_started_them(place: Place) -> None:
    place.server.kill_first()
    give_up_at = time.monotonic() + 30
    while is_answering(place.server.port):
        assert time.monotonic() < give_up_at, "workers go on without it, and hold its port"
        time.sleep(0.05)
    place.server.start()
    assert place.check() >= 0
