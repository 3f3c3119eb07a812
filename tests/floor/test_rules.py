"""What on the floor needs somebody."""

from datetime import UTC, datetime, timedelta

from tracelog.floor.rules import SILENT_AFTER, is_silent, reasons

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def test_a_counter_is_silent_if_it_said_nothing_for_long_or_never() -> None:
    assert is_silent(None, NOON)
    assert not is_silent(NOON - SILENT_AFTER, NOON)
    assert is_silent(NOON - SILENT_AFTER - timedelta(seconds=1), NOON)


def test_reasons_are_told_in_words_the_most_pressing_first() -> None:
    assert reasons([], 0, False) == ()
    assert reasons(["overhaul", "minor"], 2, True) == (
        "overhaul overdue",
        "minor overdue",
        "counter silent",
        "counter jumped, nobody has said why",
    )
