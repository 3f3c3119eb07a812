"""What is promised in a database, for tests of the plan's pages."""

from datetime import date

from sqlalchemy import Engine

from tests.support.clock import Clock
from tracelog.db import reading
from tracelog.service.pins import open_pins


def promised(engine: Engine, clock: Clock) -> list[tuple[str, str, date]]:
    """Machine, service and day of everything that is promised now and not done yet."""
    with reading(engine) as session:
        return [
            (pin.machine.text, pin.service, pin.pinned_on)
            for pin in open_pins(session, clock.now())
        ]
