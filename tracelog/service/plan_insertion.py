"""A good plan soon: one machine after the other gets the best of the days that are left.

Each pays the prices of the days it takes, so that it leaves those that others need more; then all
take turns once more, without prices. Whoever's turn it is gets exactly its best days
(`plan_pricing`): only what machines could win together is missed. It is the answer when the time
ends before the best plan is found.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np

from tracelog.service.plan_prices import Days
from tracelog.service.plan_pricing import Chain, Pricing
from tracelog.service.plan_rules import FloatArray, Placed
from tracelog.service.plan_tables import PlanTables


class Insertion:
    """Machines that take their days in turn.

    Args:
        tables: of the problem.
        days: of the same.
        chains: of the same.
    """

    def __init__(self, tables: PlanTables, days: Days, chains: Sequence[Chain]) -> None:
        self._tables, self._days = tables, days
        by_due = sorted(chains, key=self._first_due)
        self._pricings = [Pricing(tables, [one]) for one in by_due]
        self._places = [days.places_in(one) for one in self._pricings]
        self._left = days.there.copy()
        pinned = [days.place[one] for one in tables.problem.promised]
        self._left -= self._taken(pinned)
        self._own: list[list[int]] = [[] for _ in by_due]

    def _first_due(self, chain: Chain) -> tuple[float, int]:
        due = [self._tables.due_day(chain.machine, duty, 0) for duty in chain.duties]
        return min((float(one) for one in due if one is not None), default=np.inf), chain.machine

    def _taken(self, places: Sequence[int]) -> Any:
        taken = self._days.taken[:, list(places)].sum(axis=1)
        return np.asarray(taken).ravel()

    def plan(self, prices: FloatArray) -> tuple[Placed, ...]:
        """Every machine's days, at prices first and then without.

        Args:
            prices: of each crew day and line day, as the rows of `Days`.
        """
        for asked in (prices, np.zeros(len(prices))):
            paid = self._days.own + self._days.taken.T @ asked
            for number in range(len(self._pricings)):
                self._left += self._taken(self._own[number])
                self._own[number] = self._best_days(number, paid)
                self._left -= self._taken(self._own[number])
        free = [self._days.options[place] for own in self._own for place in own]
        return (*self._tables.problem.promised, *free)

    def _best_days(self, number: int, paid: FloatArray) -> list[int]:
        """What one machine takes beside what is promised, as places among the options."""
        pricing, (there, here) = self._pricings[number], self._places[number]
        takes = self._days.taken[:, there].tocoo()
        is_taken = np.zeros(len(there), dtype=bool)
        is_taken[takes.col[takes.data > self._left[takes.row] + 1e-9]] = True
        pinned = self._tables.problem.pinned
        own = np.zeros(pricing.can.shape)
        for place, option in enumerate(self._days.options[one] for one in there):
            if option in pinned:
                is_taken[place] = False
        own[here] = np.where(is_taken, np.inf, paid[there])
        pricing.cheapest(own)
        (services,) = pricing.services()
        return [self._days.place[one] for one in services if one not in pinned]
