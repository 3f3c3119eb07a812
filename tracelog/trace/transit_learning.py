"""The way of a can learned from cans whose making is known: regularised histograms. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from tracelog import reference
from tracelog.language import _
from tracelog.trace.transit import FloatArray, Way

Line = TypeVar("Line")

PALLETISER = "palletiser"
AT_MACHINE = ("bodymaker", "trimmer")
# A can is logged at its machine within half an hour (common practice, no source).
AT_MACHINE_MINUTES = 30.0
# A can of the test bench may have lain there for a day, one of a customer for a year
# (common practice, no source).
DAY_MINUTES, YEAR_MINUTES = 1_440.0, 365 * 1_440.0
_STRETCHES = 15
# How many cans the plant's minutes weigh against the plant's cans, and these against a line's.
_USUAL_CANS, _PLANT_CANS = 15.0, 40.0
# A wrong or unusual entry must not make anything impossible.
_ANY_TIME = 0.02
# Times at stations that are nearer to the bodymaker than this tell little of the whole way.
_LEAST_SHARE = 0.3


@dataclass(frozen=True)
class Delay:
    """Minutes from a can's making to its being seen at a station."""

    station: str
    minutes: float


def usual_share(station: str) -> float | None:
    """Share of the way to the palletiser that lies behind a can at a station.

    From the usual dwell times of the trade, the middle of each; None for stations off the way.
    """
    passed = 0.0
    found: float | None = None
    for one in reference.stations():
        if one.order is None:
            continue
        if one.station == station:
            found = passed
        if one.station == PALLETISER:
            return found / passed if found is not None and passed else None
        # Cups before the bodymaker are no part of the way.
        if passed or one.station == AT_MACHINE[0]:
            low, high = one.dwell_minutes_low or 0.0, one.dwell_minutes_high or 0.0
            passed += (low + high) / 2
    return None


def usual_way_to(station: str | None, way: Way) -> Way:
    """How long cans take to where they were found, by what is usual.

    Args:
        station: as logged; None or unknown: anywhere up to the palletiser.
        way: of the line to the palletiser.
    """
    longest = float(way.edges[-1])
    kinds = {one.station: one.kind for one in reference.stations()}
    share = usual_share(station) if station else None
    if station in AT_MACHINE:
        return _even(0.0, AT_MACHINE_MINUTES, _("the usual time to logging a can at its machine"))
    if share is not None and share > 0:
        return Way(way.edges * share, way.chances, way.basis, way.learned_from)
    kind = kinds.get(station or "")
    if kind == "inspection":
        return _even(0.0, longest + DAY_MINUTES, _("up to a day on the test bench"))
    if kind == "customer":
        return _even(float(way.edges[0]), YEAR_MINUTES, _("up to a year until the customer"))
    return _even(0.0, longest, _("anywhere on the way to the palletiser"))


def _even(shortest: float, longest: float, basis: str) -> Way:
    return Way(np.array([shortest, longest]), np.ones(1), basis)


def learned_ways(delays: Mapping[Line, Sequence[Delay]], usual: Way) -> dict[Line, Way]:
    """The way to the palletiser of each line, from cans seen there and at stations before it.

    A histogram between the plant's shortest and longest minutes. Each line's is drawn to that of
    all lines, and that to an even one, as if some more cans had been seen (Dirichlet prior, as in
    Gelman et al. (2013), Bayesian Data Analysis, 3rd ed., sec. 3.4), so that a few cans change
    little. Times outside the plant's minutes are mistakes and count nowhere.

    Args:
        delays: of each line.
        usual: of the plant's own minutes.
    """
    shares = _shares([one for each in delays.values() for one in each], usual)
    low, high = float(usual.edges[0]), float(usual.edges[-1])
    edges = np.linspace(low, high, _STRETCHES + 1)
    even = np.full(_STRETCHES, 1 / _STRETCHES)
    counted = {line: _counted(each, shares, edges) for line, each in delays.items()}
    everywhere = sum(counted.values(), np.zeros(_STRETCHES))
    plant = (everywhere + _USUAL_CANS * even) / (everywhere.sum() + _USUAL_CANS)
    found: dict[Line, Way] = {}
    for line, counts in counted.items():
        seen = float(counts.sum())
        if not everywhere.sum():
            found[line] = usual
            continue
        chances = (counts + _PLANT_CANS * plant) / (seen + _PLANT_CANS)
        chances = (1 - _ANY_TIME) * chances + _ANY_TIME * even
        # Rounding apart, chances of a way add up to one.
        basis = _("cans whose time of making is known, with the plant's minutes as limits")
        found[line] = Way(edges, chances / chances.sum(), basis, round(seen))
    return found


def _shares(delays: Sequence[Delay], usual: Way) -> dict[str, float]:
    """Share of the whole way to each station: the usual one, corrected by what was seen."""
    low, high = float(usual.edges[0]), float(usual.edges[-1])
    whole = [one.minutes for one in delays if one.station == PALLETISER]
    whole = [one for one in whole if low <= one <= high]
    shares = {PALLETISER: 1.0}
    for station in {one.station for one in delays} - {PALLETISER, *AT_MACHINE}:
        share = usual_share(station)
        if share is None or share <= 0:
            continue
        there = [one.minutes for one in delays if one.station == station]
        there = [one for one in there if 0 < one <= high]
        if whole and there:
            seen = float(np.clip(np.median(there) / np.median(whole), 0.05, 1.0))
            weight = min(len(whole), len(there))
            share = (weight * seen + _USUAL_CANS * share) / (weight + _USUAL_CANS)
        shares[station] = share
    return shares


def _counted(delays: Sequence[Delay], shares: Mapping[str, float], edges: FloatArray) -> FloatArray:
    """Cans in each stretch, each spread a little over its neighbours."""
    times = np.array(
        [
            one.minutes / shares[one.station]
            for one in delays
            if shares.get(one.station, 0.0) >= _LEAST_SHARE
        ]
    )
    counts = np.histogram(times, edges)[0].astype(np.float64)
    padded = np.concatenate([counts[:1], counts, counts[-1:]])
    return np.asarray(0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:], dtype=float)


def learned_way_to(station: str | None, delays: Sequence[Delay], way: Way) -> Way:
    """How long cans take to a station: the usual, corrected by cans that were seen there.

    Args:
        station: as logged.
        delays: of all lines.
        way: of the line to the palletiser.
    """
    usual = usual_way_to(station, way)
    if station == PALLETISER or not station:
        return usual
    there = [one.minutes for one in delays if one.station == station]
    longest = max(float(usual.edges[-1]), float(way.edges[-1]) if there else 0.0)
    times = np.array([one for one in there if 0 <= one <= longest])
    if not len(times):
        return usual
    edges = np.linspace(0.0, longest, 4 * _STRETCHES + 1)
    before = np.diff(usual.by(edges))
    counts = np.histogram(times, edges)[0]
    chances = (counts + _USUAL_CANS * before) / (len(times) + _USUAL_CANS)
    spread = np.full(len(chances), 1 / len(chances))
    chances = (1 - _ANY_TIME / 4) * chances + _ANY_TIME / 4 * spread
    basis = _("cans seen there whose time of making is known")
    return Way(edges, chances / chances.sum(), basis, len(times))


def central(way: Way, share: float) -> tuple[float, float]:
    """Minutes between which the middle `share` of the cans takes."""
    cumulated = np.concatenate([[0.0], np.cumsum(way.chances)])
    cumulated /= cumulated[-1]
    low, high = np.interp([(1 - share) / 2, (1 + share) / 2], cumulated, way.edges)
    return float(low), float(high)
