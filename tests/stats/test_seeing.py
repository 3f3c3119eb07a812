"""What a sample without a bad can says, against figures from outside."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.stats.seeing import cans_to_see, chance_missed, fraction_seen


def test_two_cans_hardly_ever_show_one_in_a_thousand() -> None:
    assert chance_missed(2, 0.001) == pytest.approx(0.998001)
    assert chance_missed(0, 0.5) == 1


def test_none_in_twenty_leaves_room_for_fourteen_percent() -> None:
    # Clopper and Pearson (1934), one-sided 95 % limit of 0 in 20.
    assert fraction_seen(20) == pytest.approx(0.1391, abs=1e-4)
    # "Three over n": Hanley and Lippman-Hand (1983).
    assert fraction_seen(1000) == pytest.approx(3 / 1000, rel=0.01)


def test_about_three_thousand_cans_show_one_in_a_thousand() -> None:
    assert cans_to_see(0.001) == 2995
    assert cans_to_see(1) == 1


@given(st.integers(1, 100_000), st.floats(0.5, 0.999))
def test_the_three_agree(cans: int, chance: float) -> None:
    fraction = fraction_seen(cans, chance)
    assert chance_missed(cans, fraction) == pytest.approx(1 - chance, rel=1e-6)
    assert cans_to_see(fraction, chance) in (cans, cans + 1)


@pytest.mark.parametrize(
    ("how", "name"),
    [
        (lambda: chance_missed(-1, 0.1), "cans"),
        (lambda: chance_missed(1, 1.5), "fraction"),
        (lambda: fraction_seen(0), "cans"),
        (lambda: fraction_seen(5, 1), "chance"),
        (lambda: cans_to_see(0), "fraction"),
    ],
)
def test_what_cannot_be_is_refused_by_name(how, name: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=name):
        how()
