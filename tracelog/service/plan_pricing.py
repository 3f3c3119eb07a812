"""The cheapest services of each machine by itself, when every day of a crew and line has a price.

With prices on the days, machines no longer depend on each other. Each chain of levels then has
its cheapest services found exactly, by dynamic programming from the lowest level up: between two
services of higher levels, those of a level and below are a shortest path over days, and what that
path costs is part of what the next level's path pays for the stretch. All days at once, for many
machines at once.

Rows and columns of the tables are those of `plan_tables.Standing`: a row is since when a level
counts (0: the instant; o: a service whose last day is o - 1), a column is the day of the next
service, the last column the end of the plan.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tracelog.service.plan_rules import FloatArray, Placed
from tracelog.service.plan_tables import MILLION, PlanTables

IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]
_NEVER = np.inf


@dataclass(frozen=True)
class Chain:
    """Levels of one machine, each of which does those before it."""

    machine: int
    duties: tuple[int, ...]


@dataclass
class _Stage:
    """One level, while its paths are being found; first axis: the chains.

    Attributes:
        steps: from a row to a column without a service of the level between, [column, row].
        starts: rows from which paths begin.
        reach: cheapest way from a start to a row, [start, row].
        arrive: cheapest way from a start to a column, [column, start].
        prices: of a service of the level by its day, infinite where it cannot be.
    """

    steps: FloatArray
    starts: IntArray
    reach: FloatArray
    arrive: FloatArray
    prices: FloatArray


class Pricing:
    """Chains with equally many levels, priced together.

    Args:
        tables: of the problem.
        chains: equally long ones.
    """

    def __init__(self, tables: PlanTables, chains: Sequence[Chain]) -> None:
        self.chains = tuple(chains)
        self.levels = len(chains[0].duties)
        last = tables.problem.last
        self._count = last + 2
        shape = (len(chains), self.levels, last + 1)
        # The row after a service, by its day; beyond all rows where there can be none.
        self.after: IntArray = np.full(shape, self._count, dtype=np.intp)
        self.can: BoolArray = np.zeros(shape, dtype=bool)
        self._fill(tables)
        self._steps = [self._own_steps(tables, level) for level in range(self.levels)]
        self._starts = [self._starts_of(level) for level in range(self.levels)]
        self._lowest = [self._lowest_rows(steps) for steps in self._steps]
        self._stages: list[_Stage] = []
        # What the cheapest services of each chain cost, as last asked.
        self.totals: FloatArray = np.zeros(len(chains))

    def _fill(self, tables: PlanTables) -> None:
        for number, chain in enumerate(self.chains):
            for level, duty in enumerate(chain.duties):
                for day, span in tables.by_duty.get((chain.machine, duty), {}).items():
                    self.after[number, level, day] = span.last + 1
                    self.can[number, level, day] = True
            for pin in tables.problem.promised:
                if pin.machine == chain.machine and pin.duty in chain.duties:
                    self._keep_free(number, chain.duties.index(pin.duty), pin.day)

    def _keep_free(self, number: int, level: int, day: int) -> None:
        """No other service of the machine may take a day of a promised one."""
        until = self.after[number, level, day]
        overlaps = (np.arange(self._count - 1) < until) & (self.after[number] > day)
        overlaps[level, day] = False
        self.can[number] &= ~overlaps

    def _own_steps(self, tables: PlanTables, level: int) -> FloatArray:
        steps = np.stack(
            [tables.arcs(one.machine, one.duties[level]).cost.T for one in self.chains]
        )
        steps = steps / MILLION
        for pin in tables.problem.promised:
            for number, chain in enumerate(self.chains):
                if (chain.machine, chain.duties[level]) == pin[:2]:
                    # Whoever comes from before a promised service does not pass it by.
                    steps[number, pin.day + 1 :, : pin.day + 1] = _NEVER
        return np.ascontiguousarray(steps)

    def _starts_of(self, level: int) -> IntArray:
        """Rows that follow services of higher levels, and the instant; as many for each chain."""
        is_start = np.zeros((len(self.chains), self._count + 1), dtype=bool)
        is_start[:, 0] = True
        for number, upper, day in np.argwhere(self.can[:, level + 1 :]):
            is_start[number, self.after[number, level + 1 + upper, day]] = True
        rows = [np.flatnonzero(one) for one in is_start]
        most = max(len(one) for one in rows)
        # The instant once more where a chain has fewer.
        return np.stack([np.pad(one, (most - len(one), 0)) for one in rows])

    def _lowest_rows(self, steps: FloatArray) -> list[int]:
        """For each column, the first row after the instant's that leads to it."""
        leads = np.isfinite(steps[:, :, 1:])
        return [
            int(leads[:, column].any(axis=0).argmax()) + 1
            if leads[:, column].any()
            else self._count
            for column in range(self._count)
        ]

    def cheapest(self, prices: FloatArray) -> FloatArray:
        """What the cheapest services of each chain cost.

        Args:
            prices: of a service, by chain, level and day.
        """
        below: FloatArray | None = None
        self._stages = []
        for level in range(self.levels):
            steps = self._steps[level] if below is None else self._steps[level] + below
            own = np.where(self.can[:, level], prices[:, level], _NEVER)
            stage = self._paths(level, steps, own)
            self._stages.append(stage)
            below = self._spread(stage)
        self.totals = self._stages[-1].arrive[:, -1, -1]
        return self.totals

    def _paths(self, level: int, steps: FloatArray, prices: FloatArray) -> _Stage:
        count, chains = self._count, np.arange(len(self.chains))
        starts, after = self._starts[level], self.after[:, level]
        first = starts.min(axis=0)
        reach = np.full((len(chains), starts.shape[1], count + 1), _NEVER)
        reach[chains[:, None], np.arange(starts.shape[1])[None, :], starts] = 0.0
        arrive = np.full((len(chains), count, starts.shape[1]), _NEVER)
        for column in range(count):
            # Starts are in order, so that those after this day are the last ones.
            until = int(np.searchsorted(first, column, side="right"))
            found = reach[:, :until, 0] + steps[:, None, column, 0]
            low = self._lowest[level][column]
            if low <= column:
                ways = reach[:, :until, low : column + 1] + steps[:, None, column, low : column + 1]
                np.minimum(found, ways.min(axis=2), out=found)
            arrive[:, column, :until] = found
            if column < count - 1:
                row = after[:, column]
                better = found + prices[:, column, None]
                reach[chains, :until, row] = np.minimum(reach[chains, :until, row], better)
        return _Stage(steps, starts, reach, arrive, prices)

    def _spread(self, stage: _Stage) -> FloatArray:
        """What a level and all below it cost between any two services of higher levels."""
        chains, count = len(self.chains), self._count
        spread = np.full((chains, count, count + 1), _NEVER)
        spread[
            np.arange(chains)[:, None, None],
            np.arange(count)[None, :, None],
            stage.starts[:, None, :],
        ] = stage.arrive
        return spread[:, :, :count]

    def services(self) -> list[tuple[Placed, ...]]:
        """The services of each chain that `cheapest` last found, in order of day."""
        found = []
        for number, chain in enumerate(self.chains):
            own: list[Placed] = []
            self._trace(number, chain, self.levels - 1, 0, self._count - 1, own)
            found.append(tuple(sorted(own, key=lambda one: (one.day, one.duty))))
        return found

    def _trace(
        self, number: int, chain: Chain, level: int, row: int, column: int, found: list[Placed]
    ) -> None:
        """Walk back from a column to a row, and into every stretch between, level by level."""
        if level < 0:
            return
        stage = self._stages[level]
        start = int(np.flatnonzero(stage.starts[number] == row)[0])
        while True:
            ways = (
                stage.reach[number, start, : column + 1] + stage.steps[number, column, : column + 1]
            )
            since = int(ways.argmin())
            self._trace(number, chain, level - 1, since, column, found)
            if since == row:
                return
            days = np.flatnonzero(self.can[number, level] & (self.after[number, level] == since))
            column = int(days[0])
            found.append(Placed(chain.machine, chain.duties[level], column))

    def through(self) -> tuple[FloatArray, list[FloatArray]]:
        """What the cheapest services of a chain cost that hold a certain service, or step.

        After `cheapest`, with its prices.

        Returns:
            By chain, level and day, infinite where there can be no such service; and for each
            level by chain, column and row.
        """
        services = np.full(self.can.shape, _NEVER)
        steps: list[FloatArray] = [np.empty(0)] * self.levels
        outside = np.full(self._steps[0].shape, _NEVER)
        outside[:, -1, 0] = 0.0
        for level in reversed(range(self.levels)):
            stage = self._stages[level]
            arrived, left = self._onward(level, stage, outside)
            for day in range(self._count - 1):
                onward = left[np.arange(len(self.chains)), :, self.after[:, level, day]]
                cheapest = (stage.arrive[:, day] + onward).min(axis=1)
                services[:, level, day] = cheapest + stage.prices[:, day]
            between = _joined(stage.reach[:, :, : self._count], arrived)
            steps[level] = between + stage.steps
            outside = between + self._steps[level]
        return services, steps

    def _onward(
        self, level: int, stage: _Stage, outside: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """The cheapest way on to the end: from each column arrived at, and from each row.

        Args:
            level: which.
            stage: of that level.
            outside: what everything costs outside a stretch between two services of higher
                levels, [column, row].
        """
        chains, count = np.arange(len(self.chains)), self._count
        arrived = np.full((len(chains), stage.starts.shape[1], count), _NEVER)
        left = np.full((len(chains), stage.starts.shape[1], count + 1), _NEVER)
        for column in reversed(range(count)):
            row = column + 1
            if row < count:
                ways = arrived[:, :, row:] + stage.steps[:, None, row:, row]
                left[:, :, row] = ways.min(axis=2)
            ended = outside[chains[:, None], column, stage.starts]
            if column < count - 1:
                onward = left[chains, :, self.after[:, level, column]]
                ended = np.minimum(ended, onward + stage.prices[:, column, None])
            arrived[:, :, column] = ended
        return arrived, left


def _joined(reach: FloatArray, arrived: FloatArray) -> FloatArray:
    """The cheapest whole by [column, row], over all starts: way there plus way on."""
    found = [
        (reach + arrived[:, :, None, column]).min(axis=1) for column in range(arrived.shape[2])
    ]
    return np.stack(found, axis=1)
