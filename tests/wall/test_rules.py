"""What a screen shows of a list, and when its content counts as another."""

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from tracelog.wall.rules import cut, mark_of

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


@given(st.lists(st.integers(), max_size=40), st.integers(1, 10))
def test_what_is_shown_and_what_is_counted_is_all_there_is(items: list[int], most: int) -> None:
    found = cut(items, most)
    assert list(found.shown) == items[: len(found.shown)]
    assert len(found.shown) + found.more == len(items) == found.total
    assert found.more != 1, "a line that says 'and 1 more' could as well say which"


def test_the_mark_changes_with_every_record_every_judgement_and_every_minute() -> None:
    first = mark_of(7, 6, NOON)
    assert mark_of(7, 6, NOON + timedelta(seconds=59)) == first
    others = [
        mark_of(8, 6, NOON),
        mark_of(7, 7, NOON),
        mark_of(7, 6, NOON + timedelta(minutes=1)),
    ]
    assert len({first, *others}) == 4
