"""Pieces of pages are made once for each version."""

from tracelog.web.pieces import Pieces


def test_a_piece_is_made_once_for_each_version_and_name() -> None:
    pieces, made = Pieces(), []

    def make() -> int:
        made.append(len(made))
        return made[-1]

    assert [pieces.piece(1, name, make) for name in ("a", "b", "a", "b")] == [0, 1, 0, 1]
    assert [pieces.piece(2, name, make) for name in ("a", "a")] == [2, 2]
    # A reader whose snapshot is older gets its own, and leaves nobody else with it.
    assert pieces.piece(1, "a", make) == 3
    assert pieces.piece(2, "a", make) == 4


def test_what_cannot_be_made_is_made_the_next_time() -> None:
    pieces = Pieces()

    def fail() -> int:
        raise LookupError

    for _time in range(2):
        try:
            pieces.piece(1, "a", fail)
        except LookupError:
            continue
        raise AssertionError("a piece that was not made")
    assert pieces.piece(1, "a", lambda: 7) == 7
