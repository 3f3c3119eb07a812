"""A plant, people, a mail server and a program that is called, for the tests of notices."""

from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.notices.subscribing import (
    Mailbox,
    Receiver,
    controller_of,
    person,
    settings_of,
    write_plant,
)
from tests.support.clock import Clock
from tests.support.site import Cast
from tracelog.audit import Actor
from tracelog.db import writing
from tracelog.notices.delivering import Sender


@pytest.fixture
def plant(own_engine: Engine, clock: Clock, cast: Cast) -> Engine:
    """A database with a small plant, at the time of the clock."""
    with writing(own_engine) as session:
        write_plant(session)
    return own_engine


@pytest.fixture
def sara(plant: Engine) -> Actor:
    """A supervisor with an account."""
    return person(plant)


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    """A mail server on this machine, without encryption."""
    made = Mailbox()
    controller = controller_of(made)
    yield made
    controller.stop()


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """A program on this machine that is called."""
    made = Receiver().start()
    yield made
    made.stop()


@pytest.fixture
def sender(plant: Engine, mailbox: Mailbox, tmp_path: Path) -> Sender:
    """Sends by the mail server, and calls programs on this machine."""
    settings = settings_of(
        plant,
        tmp_path,
        smtp_url=f"smtp-plain://127.0.0.1:{mailbox.port}",
        smtp_from="tracelog@plant.example",
        base_url="https://tracelog.example/",
        webhook_reach="any",
    )
    return Sender(plant, settings)


@pytest.fixture
def at(clock: Clock) -> Callable[[datetime], None]:
    """Sets the clock: ``at(moment)``."""

    def to(moment: datetime) -> None:
        clock.forward(moment - clock.now())

    return to
