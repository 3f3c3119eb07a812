"""What a worker does once, before it answers anybody."""

import gc
from collections.abc import Iterator

import pytest

from tracelog.web.serving import leave_out_what_stays


@pytest.fixture
def thawed() -> Iterator[None]:
    yield
    gc.unfreeze()


@pytest.mark.usefixtures("thawed")
def test_what_was_loaded_is_not_looked_through_for_cycles_again() -> None:
    known = ["loaded with the application"]
    cycle: list[object] = []
    cycle.append(cycle)
    del cycle
    before = gc.get_freeze_count()
    leave_out_what_stays()
    assert gc.get_freeze_count() > before
    assert not any(one is known for one in gc.get_objects())
    made_later = ["made for a page"]
    assert any(one is made_later for one in gc.get_objects())
