"""What signals rest on, as arrays: entries, and strokes that can be told at any instant. Pure."""

from dataclasses import dataclass

import numpy as np

from tracelog.stats.inputs import BoolArray, FloatArray, IntArray
from tracelog.trends.signals.rules import DAY

# Strokes after the last reading are taken to go on as in so many days before it.
_RECENT_DAYS = 7


@dataclass(frozen=True)
class MachineStrokes:
    """Strokes of one machine.

    Attributes:
        edges: edges of consecutive hours, seconds since 1970; at least two.
        totals: strokes up to each edge.
        rate: strokes a second, lately; what is not on the counter yet goes on with it.
    """

    edges: FloatArray
    totals: FloatArray
    rate: float

    @classmethod
    def of(cls, edges: FloatArray, strokes: FloatArray) -> "MachineStrokes | None":
        """From strokes of hours; hours not known between known ones count as the others do.

        Args:
            edges: of the hours, one more than `strokes`.
            strokes: not a number where they are not known.

        Returns:
            None where not one hour is known.
        """
        known = np.flatnonzero(~np.isnan(strokes))
        if not len(known):
            return None
        low, high = int(known[0]), int(known[-1]) + 1
        made, own = strokes[low:high], edges[low : high + 1]
        lasted = np.diff(own)
        missing = np.isnan(made)
        mean = float(np.nansum(made)) / float(lasted[~missing].sum())
        made = np.where(missing, mean * lasted, made)
        totals = np.concatenate(([0.0], np.cumsum(made)))
        back = max(own[-1] - _RECENT_DAYS * DAY, own[0])
        rate = (totals[-1] - float(np.interp(back, own, totals))) / float(own[-1] - back)
        return cls(own, totals, rate)

    def counted_at(self, moments: FloatArray) -> FloatArray:
        """Strokes that are known up to each instant, seconds since 1970."""
        return np.asarray(np.interp(moments, self.edges, self.totals), dtype=np.float64)

    def at(self, moments: FloatArray) -> FloatArray:
        """Strokes up to each instant, those not on the counter yet at the rate of late."""
        beyond = np.maximum(moments - self.edges[-1], 0.0)
        return np.asarray(self.counted_at(moments) + self.rate * beyond, dtype=np.float64)


@dataclass(frozen=True)
class Log:
    """Entries in order of time; `machine` and `defect` are places in the lists of `Evidence`.

    Instants are seconds since 1970.
    """

    machine: IntArray
    defect: IntArray
    at: FloatArray
    logged_at: FloatArray
    counted: FloatArray

    def only(self, chosen: BoolArray) -> "Log":
        """Those that are chosen."""
        return Log(
            self.machine[chosen],
            self.defect[chosen],
            self.at[chosen],
            self.logged_at[chosen],
            self.counted[chosen],
        )


@dataclass(frozen=True)
class Frozen:
    """A baseline that a person chose for a series; instants are seconds since 1970.

    It holds from `since` on; `period` None: the series went back to the usual one.
    """

    since: float
    machine: int
    defect: int
    period: tuple[float, float] | None


@dataclass(frozen=True)
class Evidence:
    """All that is known at one instant.

    Attributes:
        machines: how many; strokes and log name them by place.
        defects: kinds of defect in order.
        log: entries at or after a machine's first known hour.
        strokes: of each machine; None: it has none on record.
        day_ends: midnights of the plant's clock from the first day of strokes on, seconds.
        now: the instant, seconds.
        read_until: the last reading of any machine of the plant, seconds.
        frozen: baselines that people chose, in the order in which they did.
    """

    machines: int
    defects: tuple[str, ...]
    log: Log
    strokes: tuple[MachineStrokes | None, ...]
    day_ends: FloatArray
    now: float
    read_until: float
    frozen: tuple[Frozen, ...] = ()

    def strokes_between(self, start: float, end: float) -> FloatArray:
        """Strokes of each machine as far as they are known; 0 where none are on record."""
        edges = np.array([start, end])
        return np.array(
            [0.0 if one is None else np.diff(one.counted_at(edges))[0] for one in self.strokes]
        )

    def day_strokes(self, first: int, end: int) -> FloatArray:
        """Strokes between midnights number `first` to `end`: machines by days."""
        edges = self.day_ends[first : end + 1]
        none = np.zeros(max(len(edges) - 1, 0))
        return np.array(
            [none if one is None else np.diff(one.counted_at(edges)) for one in self.strokes]
        )
