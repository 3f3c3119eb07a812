"""Sampling plans."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tracelog.stats.sampling import (
    acceptance_binomial,
    acceptance_hypergeometric,
    acceptance_poisson,
    average_outgoing_quality,
    average_total_inspection,
    code_letter,
    normal_inspection_plan,
    outgoing_quality_limit,
    quality_at_acceptance,
)

PLANS = st.integers(1, 300).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, min(n - 1, 20))))


@given(PLANS, st.floats(0, 1))
def test_acceptance_agrees_with_scipy(plan: tuple[int, int], fraction: float) -> None:
    size, accept = plan
    assert float(acceptance_binomial(size, accept, fraction)) == pytest.approx(
        stats.binom.cdf(accept, size, fraction), abs=1e-10
    )
    assert float(acceptance_poisson(size, accept, fraction)) == pytest.approx(
        stats.poisson.cdf(accept, size * fraction), abs=1e-10
    )


@given(st.integers(1, 200), st.data())
def test_acceptance_of_a_small_lot_agrees_with_scipy(lot: int, data: st.DataObject) -> None:
    size = data.draw(st.integers(1, lot))
    accept = data.draw(st.integers(0, size - 1))
    bad = np.arange(lot + 1)
    own = acceptance_hypergeometric(lot, size, accept, bad)
    np.testing.assert_allclose(own, stats.hypergeom.cdf(accept, lot, bad, size), atol=1e-9)


@given(PLANS, st.floats(0.01, 0.99))
def test_the_quality_at_a_chance_is_accepted_with_that_chance(
    plan: tuple[int, int], chance: float
) -> None:
    size, accept = plan
    quality = quality_at_acceptance(size, accept, chance)
    assert float(acceptance_poisson(size, accept, quality)) == pytest.approx(chance)


def test_outgoing_quality_is_never_worse_than_its_limit() -> None:
    grid = np.linspace(0, 1, 3001)
    for size, accept, lot in ((50, 1, None), (89, 2, 10_000), (13, 0, 100)):
        limit = outgoing_quality_limit(size, accept, lot)
        quality = average_outgoing_quality(size, accept, grid, lot)
        assert quality.max() <= limit + 1e-15
        assert quality.max() == pytest.approx(limit, rel=1e-3)


def test_the_whole_lot_is_inspected_when_everything_is_bad() -> None:
    assert float(average_total_inspection(20, 1, 1.0, lot=500)) == 500
    assert float(average_total_inspection(20, 1, 0.0, lot=500)) == 20


def test_code_letters_never_fall_with_the_lot_or_the_level() -> None:
    lots = [2, 8, 9, 25, 26, 90, 91, 280, 500, 1200, 3201, 35_000, 150_001, 500_001]
    for level in ("S-1", "S-2", "S-3", "S-4", "I", "II", "III"):
        letters = [code_letter(lot, level) for lot in lots]
        assert letters == sorted(letters)
    for lot in lots:
        by_level = [code_letter(lot, level) for level in ("S-1", "S-4", "I", "II", "III")]
        assert by_level[2:] == sorted(by_level[2:])


def test_known_rows_of_the_table() -> None:
    """ISO 2859-1:1999, Table 2-A, entries from memory: K, J and F rows."""
    known = {
        ("K", 1.0): (125, 3),
        ("K", 0.65): (125, 2),
        ("J", 1.5): (80, 3),
        ("J", 4.0): (80, 7),
        ("F", 0.65): (20, 0),
        ("F", 65.0): (20, 21),
        ("E", 250.0): (13, 44),
        ("A", 6.5): (2, 0),
    }
    for (letter, level), (size, accept) in known.items():
        plan = normal_inspection_plan(letter, level)
        assert (plan.size, plan.accept, plan.reject) == (size, accept, accept + 1)
        assert plan.code_letter == letter


def test_arrows_lead_to_the_next_plan() -> None:
    """Up: F at 1.0 uses E; down: F at 1.5 uses G; far up: F at 100 uses E."""
    assert normal_inspection_plan("F", 1.0).code_letter == "E"
    assert normal_inspection_plan("F", 1.5).code_letter == "G"
    assert normal_inspection_plan("A", 0.65).code_letter == "F"
    assert normal_inspection_plan("F", 100.0).code_letter == "E"
    with pytest.raises(ValueError, match=r"^letter and quality_level have no plan"):
        normal_inspection_plan("R", 0.015)


def test_a_producer_at_the_quality_limit_is_mostly_accepted() -> None:
    """The standard's normal plans accept a process at its quality limit in 85 to 99.9 %."""
    for letter in "CDEFGHJKLMNPQR":
        for level in (0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0):
            plan = normal_inspection_plan(letter, level)
            chance = float(acceptance_poisson(plan.size, plan.accept, level / 100))
            assert 0.85 <= chance < 0.9999


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: acceptance_binomial(5, 5, 0.1), "accept"),
        (lambda: acceptance_binomial(5, 1, 1.1), "fraction"),
        (lambda: acceptance_poisson(5, 1, -0.1), "per_item"),
        (lambda: acceptance_hypergeometric(10, 11, 1, 2), "size"),
        (lambda: acceptance_hypergeometric(10, 5, 1, 11), "defective"),
        (lambda: average_outgoing_quality(50, 1, 0.1, lot=20), "lot"),
        (lambda: quality_at_acceptance(50, 1, 1.0), "chance"),
        (lambda: code_letter(1), "lot"),
        (lambda: code_letter(100, "IV"), "level"),
        (lambda: normal_inspection_plan("I", 1.0), "letter"),
        (lambda: normal_inspection_plan("K", 0.7), "quality_level"),
    ],
)
def test_bad_input_is_refused_by_name(call, name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name} must"):
        call()
