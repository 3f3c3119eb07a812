"""What a machine is expected to make from an instant on, day by day, and how sure that is.

Pure: arrays in, arrays out. A day's strokes are its usual strokes w times a level:

    strokes of day d = w_d (L + x_d + e_d),   x_(d+1) = k x_d + u_d

L is the lasting level of the machine (1 on average), known up to a variance; x is where its speed
stands beside it lately, which fades day by day by the factor k as it did in the past; e is what
each day has of its own. Sums of days are sums of such terms, so that their variances are known
in closed form (autoregression of order one seen through noise; e.g. Brockwell and Davis,
Introduction to Time Series and Forecasting, chapters 3 and 8).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Spread:
    """Variances of the days to come, in shares of their usual strokes.

    Attributes:
        level: of the lasting level, which no day to come makes smaller.
        drift: of where the speed stands beside the level, at the instant.
        keeps: share of that which is left a day later, 0 to below 1.
        shock: what each day adds to it.
        noise: of what each day has of its own.
    """

    level: float
    drift: float
    keeps: float
    shock: float
    noise: float

    def sums(self, usual: FloatArray) -> FloatArray:
        """Variance of the strokes made by the end of each day.

        Args:
            usual: usual strokes of each day from the instant on; 0 leaves a day out.

        Returns:
            As many variances, in strokes squared, never falling.
        """
        made = np.cumsum(usual)
        drift, together, own = self.drift, 0.0, 0.0
        drifting = np.empty(len(usual))
        for place, strokes in enumerate(usual):
            # `own` is the variance of the sum so far, `together` its covariance with today's x.
            own += 2 * strokes * together + strokes**2 * drift
            together = self.keeps * (together + strokes * drift)
            drift = self.keeps**2 * drift + self.shock
            drifting[place] = own
        return made**2 * self.level + drifting + np.cumsum(usual**2) * self.noise


@dataclass(frozen=True)
class Outlook:
    """What one machine is expected to make from an instant on.

    Attributes:
        days: days of the plant's clock; the first is that of the instant (its rest).
        mean: strokes expected by the end of each of these days, since the instant.
        deviation: standard deviation of that figure.
        hours_up: hours of each day in which the machine is not in a planned stop.
        usual: strokes of each day at the machine's usual level, the rest of the first.
        spread: how the days stray from that.
    """

    days: tuple[date, ...]
    mean: FloatArray
    deviation: FloatArray
    hours_up: FloatArray
    usual: FloatArray
    spread: Spread

    def between(self, first: date | None, last: date) -> tuple[float, float]:
        """Mean and deviation of the strokes from the end of day `first` to that of `last`.

        Args:
            first: the day before the stretch; None: from the instant on.
            last: last day of the stretch.

        Raises:
            ValueError: a day that the outlook does not reach, or `last` before `first`.
        """
        start = -1 if first is None else self._place(first)
        end = self._place(last)
        if end < start:
            raise ValueError(f"{last} lies before {first}")
        if end == start:
            return 0.0, 0.0
        if start < 0:
            return float(self.mean[end]), float(self.deviation[end])
        left = self.usual[: end + 1].copy()
        left[: start + 1] = 0.0
        variance = self.spread.sums(left)[-1]
        return float(self.mean[end] - self.mean[start]), float(np.sqrt(variance))

    def _place(self, day: date) -> int:
        place = (day - self.days[0]).days
        if not 0 <= place < len(self.days):
            raise ValueError(f"{day} is beyond the outlook, {self.days[0]} to {self.days[-1]}")
        return place


def outlook_of(
    days: Sequence[date],
    hours_up: FloatArray,
    usual: FloatArray,
    level: float,
    drift: float,
    spread: Spread,
) -> Outlook:
    """The outlook of a machine whose level and drift at the instant are as estimated.

    Args:
        days: consecutive days of the plant's clock.
        hours_up: hours of each outside planned stops.
        usual: strokes of each at level 1.
        level: the lasting level, 1 on average.
        drift: where the speed stands beside it at the instant, in the same unit.
        spread: how sure these are, and how days stray.
    """
    faded = drift * spread.keeps ** np.arange(len(usual))
    mean = np.cumsum(usual * np.maximum(level + faded, 0.0))
    return Outlook(tuple(days), mean, np.sqrt(spread.sums(usual)), hours_up, usual, spread)
