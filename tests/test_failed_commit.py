"""A commit that fails leaves nothing behind: neither rows nor a transaction that is open."""

from typing import Any

import pytest
from sqlalchemy import Engine, event, func, select

from tests.strokes.counters import make_plant
from tracelog.db import reading, writing
from tracelog.plant.models import Plant


def test_the_next_transaction_begins_as_if_nothing_had_been(own_engine: Engine) -> None:
    def fail(_connection: Any) -> None:
        raise OSError("disk full")

    event.listen(own_engine, "commit", fail)
    with pytest.raises(OSError, match="disk full"), writing(own_engine) as session:
        make_plant(session, "Europe/Madrid", {})
    event.remove(own_engine, "commit", fail)
    with writing(own_engine) as session:
        make_plant(session, "Europe/Madrid", {})
    with reading(own_engine) as session:
        assert session.execute(select(func.count()).select_from(Plant)).scalar_one() == 1
