"""From chances to dates: the whole days hold what they say, whatever the hour of the day."""

import numpy as np
import pytest
from scipy.stats import norm

from tracelog.service.due_dates import passing


def chances(middle: float, deviation: float, days: int = 400) -> "np.typing.NDArray[np.float64]":
    """That it has come by the end of each day, for a normal instant in days from the first."""
    return np.asarray(norm.cdf(np.arange(1, days + 1), middle, deviation))


def test_a_date_that_is_known_is_that_date() -> None:
    found = passing(np.array([0.0, 0.0, 1.0, 1.0]))
    assert found is not None
    assert (found.early, found.middle, found.late) == (2, 2, 2)


def test_what_is_due_today_is_due_today() -> None:
    found = passing(np.array([1.0, 1.0]))
    assert found is not None
    assert (found.early, found.middle, found.late) == (0, 0, 0)


def test_too_few_days_tell_nothing() -> None:
    assert passing(np.array([0.1, 0.5, 0.94])) is None


@pytest.mark.parametrize("deviation", [0.4, 1.0, 3.0, 12.0])
def test_whole_days_hold_eight_in_ten_on_average(deviation: float) -> None:
    """Over all hours of the day at which the instant may lie; dates alone could not be exact."""
    held = []
    for middle in np.arange(60, 61, 1 / 48):
        found = passing(chances(float(middle), deviation))
        assert found is not None
        assert found.early <= found.middle <= found.late
        inside = norm.cdf([found.early, found.late + 1], middle, deviation)
        held.append(inside[1] - inside[0])
        # Within a day chances are joined as a normal distribution's; so exact ends are exact.
        assert found.exact == pytest.approx(norm.ppf([0.1, 0.5, 0.9], middle, deviation), abs=0.01)
    assert np.mean(held) == pytest.approx(0.8, abs=0.05)
