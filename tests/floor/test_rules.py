"""What on the floor needs somebody."""

from tracelog.floor.rules import reasons


def test_reasons_are_told_in_words_the_most_pressing_first() -> None:
    assert reasons([], 0, False) == ()
    assert reasons(["overhaul", "minor"], 2, True) == (
        "overhaul overdue",
        "minor overdue",
        "counter silent",
        "counter jumped, nobody has said why",
    )
