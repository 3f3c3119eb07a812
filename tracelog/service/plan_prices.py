"""The best prices of crew days and line days, and the bound on every plan that they prove.

Each machine's services are found by themselves at given prices (`plan_pricing`); a linear
programme over all services found so far gives new prices, until nothing cheaper is found. With
prices y on what the crews and lines have, sum over machines of their cheapest services less y
times what there is bounds every plan from below (Lagrange); the best prices make that bound as
high as the linear programme is low (Dantzig and Wolfe 1960, Decomposition principle for linear
programs). New prices are looked for near the best ones so far, which takes fewer rounds (Wentges
1997, Weighted Dantzig-Wolfe decomposition for linear mixed-integer programming; from memory).
"""

import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import groupby, pairwise, product
from typing import Any

import numpy as np

from tracelog.service.plan_pricing import Chain, Pricing
from tracelog.service.plan_rules import FloatArray, Placed, PlanProblem, chains_of, crews_needed
from tracelog.service.plan_tables import MILLION, PlanTables

# So many machines at a time stay within a processor's own memory; on so many processors.
_CHAINS_AT_ONCE = 10
_THREADS = 2
# How much of the best prices so far stays in the next ones.
_WEIGHT_OF_BEST = 0.5
# With the services found go the same ones these days later, for so many rounds.
_SHIFTS = (-2, -1, 1, 2)
_ROUNDS_WITH_NEIGHBOURS = 10
# Prices are good enough when the bound is so near, as a share of the cost: the integer programme
# closes the rest sooner than more rounds would.
CLOSED = 5e-4


class Days:
    """What there is of crews and lines, as rows, and what each service takes of them."""

    def __init__(self, tables: PlanTables) -> None:
        from scipy import sparse

        problem = tables.problem
        lines = sorted({machine.line for machine in problem.machines})
        self._lines = {line: place for place, line in enumerate(lines, start=1)}
        self._count = len(problem.days)
        self.there: FloatArray = np.ones(self._count * (len(lines) + 1))
        self.there[: self._count] = problem.crews
        self.options = tables.options
        self.place = {option: place for place, option in enumerate(self.options)}
        entries = [self._taken(tables, option) for option in self.options]
        rows = np.concatenate([one[0] for one in entries] or [np.empty(0, dtype=int)])
        takes = np.concatenate([one[1] for one in entries] or [np.empty(0)])
        columns = np.repeat(np.arange(len(entries)), [len(one[0]) for one in entries])
        shape = (len(self.there), len(self.options))
        self.taken: Any = sparse.csc_matrix((takes, (rows, columns)), shape)
        self.own: FloatArray = np.array([tables.price(one) for one in self.options]) / MILLION

    def _taken(self, tables: PlanTables, option: Placed) -> tuple[FloatArray, FloatArray]:
        problem, span = tables.problem, tables.spans[option]
        line = self._lines[problem.machines[option.machine].line] * self._count
        crews = crews_needed(problem.duty(option), problem.crew_people)
        on_line = np.arange(span.first, span.last + 1) + line
        rows = np.concatenate([np.array(span.working), on_line])
        return rows, np.repeat([float(crews), 1.0], [len(span.working), len(on_line)])

    def places_in(self, pricing: Pricing) -> tuple[Any, Any]:
        """Where the options of some chains are: among all options, and in their own tables."""
        here: list[tuple[int, int, int]] = []
        there: list[int] = []
        for number, level, day in np.argwhere(pricing.can):
            chain = pricing.chains[number]
            option = Placed(chain.machine, chain.duties[level], int(day))
            here.append((number, level, day))
            there.append(self.place[option])
        return np.array(there, dtype=int), tuple(np.array(here, dtype=int).reshape(-1, 3).T)


def chains_in(problem: PlanProblem) -> list[Chain] | None:
    """The levels of all machines as chains; None where they do not fall into such."""
    found = []
    for number, machine in enumerate(problem.machines):
        chains = chains_of(machine)
        if chains is None:
            return None
        found += [Chain(number, one) for one in chains]
    return sorted(found, key=lambda one: len(one.duties))


@dataclass
class Bound:
    """What the prices prove, in millions of weighted strokes.

    Attributes:
        value: no plan costs less.
        total: what the best mixture of services found so far costs; no less than the best one.
        prices: of the days, as the rows of `Days`, when the search for them ended.
        plan: a good plan, where the linear programme came out without fractions.
        services: for each option, what the bound becomes at least with this service in the plan.
        steps: for machine and duty, by [column, row], likewise with a step from reset to reset.
        rounds: how often all machines were looked at.
    """

    value: float
    total: float = np.inf
    prices: FloatArray = field(default_factory=lambda: np.empty(0))
    plan: tuple[Placed, ...] | None = None
    services: FloatArray = field(default_factory=lambda: np.empty(0))
    steps: dict[tuple[int, int], FloatArray] = field(default_factory=dict)
    rounds: int = 0


class Market:
    """All chains of a problem at prices of days.

    Args:
        tables: of the problem.
        days: of the same.
        chains: all of them, sorted by length.
    """

    def __init__(self, tables: PlanTables, days: Days, chains: Sequence[Chain]) -> None:
        self._days = days
        self.chains = chains
        self._pricings: list[Pricing] = []
        for _length, group in groupby(chains, key=lambda one: len(one.duties)):
            same = list(group)
            for start in range(0, len(same), _CHAINS_AT_ONCE):
                self._pricings.append(Pricing(tables, same[start : start + _CHAINS_AT_ONCE]))
        self._places = [days.places_in(pricing) for pricing in self._pricings]

    def cheapest(self, prices: FloatArray) -> tuple[FloatArray, list[tuple[Placed, ...]]]:
        """Cost and services of each chain, in the order of the chains.

        Args:
            prices: of each crew day and line day, as the rows of `Days`.
        """
        asked = self._days.own + self._days.taken.T @ prices

        def look(place: int) -> tuple[FloatArray, list[tuple[Placed, ...]]]:
            pricing, (there, here) = self._pricings[place], self._places[place]
            own = np.zeros(pricing.can.shape)
            own[here] = asked[there]
            return pricing.cheapest(own), pricing.services()

        with ThreadPoolExecutor(_THREADS) as pool:
            found = list(pool.map(look, range(len(self._pricings))))
        costs = np.concatenate([one[0] for one in found])
        return costs, [services for one in found for services in one[1]]

    def through(self, bound: Bound) -> None:
        """Fill in what each service and step means for the bound, at the prices asked last."""
        bound.services = np.full(len(self._days.options), np.inf)
        for pricing, (there, here) in zip(self._pricings, self._places, strict=True):
            services, steps = pricing.through()
            cheapest = pricing.totals
            bound.services[there] = bound.value + (services - cheapest[:, None, None])[here]
            for number, chain in enumerate(pricing.chains):
                for level, duty in enumerate(chain.duties):
                    own = bound.value + steps[level][number] - cheapest[number]
                    bound.steps[chain.machine, duty] = own


class Found:
    """The services found so far, for the linear programme that prices the days."""

    def __init__(self, days: Days, chains: int) -> None:
        self._days, self._chains = days, chains
        self.columns: dict[tuple[int, tuple[Placed, ...]], float] = {}

    def add(self, services: Iterable[tuple[Placed, ...]], costs: FloatArray) -> int:
        """Keep what is new of each chain's services; how many were."""
        before = len(self.columns)
        for number, (own, cost) in enumerate(zip(services, costs, strict=True)):
            self.columns.setdefault((number, own), float(cost))
        return len(self.columns) - before

    def solve(self) -> tuple[float, FloatArray, FloatArray]:
        """The cheapest mixture of what was found: its cost, shares, and prices of the days."""
        from scipy import sparse
        from scipy.optimize import linprog

        keys, place = list(self.columns), self._days.place
        chosen = [place[one] for _chain, own in keys for one in own]
        lengths = [len(own) for _chain, own in keys]
        ones, numbers = np.ones(len(chosen)), np.repeat(np.arange(len(keys)), lengths)
        holds = sparse.csc_matrix((ones, (chosen, numbers)), (len(place), len(keys)))
        rows = [chain for chain, _own in keys]
        one_each = sparse.csc_matrix(
            (np.ones(len(keys)), (rows, range(len(keys)))), (self._chains, len(keys))
        )
        solved = linprog(
            list(self.columns.values()),
            A_ub=(self._days.taken @ holds).tocsc(),
            b_ub=self._days.there,
            A_eq=one_each,
            b_eq=np.ones(self._chains),
            method="highs-ds",
        )
        return float(solved.fun), solved.x, np.maximum(-solved.ineqlin.marginals, 0.0)


def chain_cost(tables: PlanTables, chain: Chain, services: Sequence[Placed]) -> float:
    """What the services of one chain cost by themselves, in millions.

    Args:
        tables: of the problem.
        chain: whose.
        services: in order of day.
    """
    total = sum(tables.price(one) for one in services)
    for duty in chain.duties:
        since, cost = 0, tables.arcs(chain.machine, duty).cost
        for one in services:
            if duty in tables.problem.duty(one).does:
                total += cost[since, one.day]
                since = tables.spans[one].last + 1
        total += cost[since, -1]
    return float(total) / MILLION


def best_prices(
    tables: PlanTables, days: Days, market: Market, plan: Sequence[Placed], deadline: float
) -> Bound:
    """The bound on every plan that good prices prove, the best so far when time is up.

    Args:
        tables: of the problem.
        days: of the same.
        market: of the same.
        plan: any plan that keeps to what plans must keep to.
        deadline: when to end, on the clock of `time.monotonic`.
    """
    found = Found(days, len(market.chains))
    there = [_own(chain, plan) for chain in market.chains]
    of_chains = zip(market.chains, there, strict=True)
    found.add(there, np.array([chain_cost(tables, *one) for one in of_chains]))
    at_best, prices = np.zeros(len(days.there)), np.zeros(len(days.there))
    bound = Bound(-np.inf)
    while True:
        costs, services = market.cheapest(prices)
        bound.rounds += 1
        proven = float(costs.sum() - prices @ days.there)
        if proven > bound.value:
            bound.value, at_best = proven, prices
        paid = [_paid(days, prices, one) for one in services]
        new = found.add(services, costs - paid)
        if bound.rounds <= _ROUNDS_WITH_NEIGHBOURS:
            _add_neighbours(tables, days, market, services, found)
        bound.total, shares, priced = found.solve()
        is_near = bound.total - bound.value <= CLOSED * abs(bound.total)
        if is_near or time.monotonic() > deadline:
            break
        keeps = _WEIGHT_OF_BEST if new else 0.0
        prices = keeps * at_best + (1 - keeps) * priced
    bound.plan = _without_fractions(list(found.columns), shares)
    bound.prices = priced
    market.cheapest(at_best)
    market.through(bound)
    return bound


def _add_neighbours(
    tables: PlanTables,
    days: Days,
    market: Market,
    services: Sequence[tuple[Placed, ...]],
    found: Found,
) -> None:
    """The same services with one of them a little earlier or later, so that prices settle soon."""
    for number, (chain, own) in enumerate(zip(market.chains, services, strict=True)):
        for place, shift in product(range(len(own)), _SHIFTS):
            moved = own[place]._replace(day=own[place].day + shift)
            if own[place] in tables.problem.pinned or moved not in days.place:
                continue
            other = tuple(sorted((*own[:place], moved, *own[place + 1 :]), key=_by_day))
            apart = all(tables.spans[a].last < b.day for a, b in pairwise(other))
            if (number, other) not in found.columns and apart:
                cost = chain_cost(tables, chain, other)
                if np.isfinite(cost):
                    found.columns[number, other] = cost


def _by_day(placed: Placed) -> tuple[int, int]:
    return placed.day, placed.duty


def _own(chain: Chain, plan: Iterable[Placed]) -> tuple[Placed, ...]:
    own = [one for one in plan if one.machine == chain.machine and one.duty in chain.duties]
    return tuple(sorted(own, key=_by_day))


def _paid(days: Days, prices: FloatArray, services: Sequence[Placed]) -> float:
    return float(sum((days.taken[:, days.place[one]].T @ prices)[0] for one in services))


def _without_fractions(
    keys: Sequence[tuple[int, tuple[Placed, ...]]], shares: FloatArray
) -> tuple[Placed, ...] | None:
    """The plan that the shares say, None if some are neither all nor nothing."""
    if (np.minimum(shares, 1 - shares) > 1e-6).any():
        return None
    return tuple(
        one for (_c, own), share in zip(keys, shares, strict=True) if share > 0.5 for one in own
    )
