"""Stretches in which machines stood: long ones, those of services, and one that is not over.

Pure: arrays in, arrays out.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracelog.service.clock_hours import sums_before
from tracelog.stats.inputs import BoolArray, FloatArray, IntArray

# Below this share of its usual hour a machine stands; all figures here: common practice, no source.
STANDS_BELOW = 0.02
# A stop of a usual day or so is none of the many that every day has.
LONG_HOURS = 20.0
# No service takes a week, and no week is planned to be one stop; whatever stands so long is idle.
IDLE_HOURS = 168.0
# A service is written down by half a shift after its end.
WRITTEN_HOURS = 6
_BEFORE_SERVICE_HOURS = 12


@dataclass(frozen=True)
class Standstills:
    """Runs of hours in which machines made nothing, machine by machine in order of time.

    Attributes:
        machine: row of each run's machine.
        start, end: first hour, and the one after the last.
        hours: hours of the run outside planned stops.
    """

    machine: IntArray
    start: IntArray
    end: IntArray
    hours: FloatArray

    def only(self, chosen: BoolArray) -> "Standstills":
        """Those that are marked True."""
        return Standstills(
            self.machine[chosen], self.start[chosen], self.end[chosen], self.hours[chosen]
        )

    def mask(self, shape: tuple[int, ...]) -> BoolArray:
        """Machines by hours, True within the runs."""
        steps = np.zeros((shape[0], shape[1] + 1), dtype=np.intp)
        np.add.at(steps, (self.machine, self.start), 1)
        np.add.at(steps, (self.machine, self.end), -1)
        return np.asarray(np.cumsum(steps, axis=1)[:, :-1] > 0)

    def measured(self, weights: FloatArray) -> FloatArray:
        """Sum over each run of `weights`, machines by hours."""
        sums = sums_before(weights)
        return np.asarray(sums[self.machine, self.end] - sums[self.machine, self.start])


def standstills(strokes: FloatArray, usual: FloatArray, outside: FloatArray) -> Standstills:
    """All runs of hours in which machines are known to have stood.

    Args:
        strokes: machines by hours; not a number where they are not known.
        usual: strokes of a good hour of each machine.
        outside: share of each hour outside planned stops, machines by hours.
    """
    still = np.nan_to_num(strokes, nan=np.inf) <= STANDS_BELOW * usual[:, None]
    padded = np.zeros((still.shape[0], still.shape[1] + 2), dtype=np.int8)
    padded[:, 1:-1] = still
    steps = np.diff(padded, axis=1)
    machine, start = np.nonzero(steps == 1)
    found = Standstills(machine, start, np.nonzero(steps == -1)[1], np.zeros(len(start)))
    return Standstills(machine, start, found.end, found.measured(outside))


@dataclass(frozen=True)
class ServedAt:
    """A service in a history.

    `machine` is the row of its machine, `hour` that in which it was done at `done_at` (seconds
    since 1970), `service` the highest level done, `hours` what that is said to take.
    """

    machine: int
    hour: int
    done_at: float
    service: str
    hours: float | None
    planned: bool


def most_hours(one: ServedAt) -> float:
    """More than a service can take, in running hours: whatever lasts longer is another stop."""
    return 3 * (one.hours or 24.0) + 12


def of_services(
    found: Standstills, taken: FloatArray, served: Sequence[ServedAt]
) -> list[int | None]:
    """For each service its standstill, as its place in `found`; None where the machine ran.

    It is the one that took most of the machine's usual running hours (`taken`), of those between
    half a day and the service's own hours before the service was done and half a shift after.
    """
    edges = np.searchsorted(found.machine, np.arange(found.machine.max(initial=-1) + 2))
    places: list[int | None] = []
    for one in served:
        own = slice(*edges[one.machine : one.machine + 2]) if one.machine + 1 < len(edges) else None
        if own is None or own.start == own.stop:
            places.append(None)
            continue
        earliest = one.hour - _BEFORE_SERVICE_HOURS - (one.hours or 0.0)
        near = (found.end[own] > earliest) & (found.start[own] <= one.hour + WRITTEN_HOURS)
        near &= (taken[own] > 0) & (taken[own] <= most_hours(one))
        most = int(np.argmax(np.where(near, taken[own], -1.0)))
        places.append(own.start + most if near.any() else None)
    return places
