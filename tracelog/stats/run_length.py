"""How long a chart with run rules runs until it signals: exact average run length."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tracelog.stats.inputs import one_number, require

Rule = tuple[int, int, float]
"""`needed` of `window` points beyond `limit` sigmas on one side."""

WESTERN_ELECTRIC: tuple[Rule, ...] = ((1, 1, 3.0), (2, 3, 2.0), (4, 5, 1.0), (8, 8, 0.0))


def run_rules_arl(rules: Sequence[Rule], shift: float = 0.0) -> float:
    """Average number of points until a Shewhart chart with run rules first signals.

    Formula: the zones a point can fall in and, for each rule and side, the recent points that can
    still help to complete it form a finite Markov chain; the run length is (I - Q)^-1 1 at the
    start. Exact for independent normal points.

    Args:
        rules: each as (needed, window, limit), applied on both sides.
        shift: of the mean, in sigmas.
    Returns: average run length in points.
    Raises: ValueError naming the argument.
    Source: Champ and Woodall (1987), Technometrics 29(4) 393-399.
    Example: run_rules_arl(WESTERN_ELECTRIC) is 91.75; the 3-sigma rule alone has 370.40.
    """
    require(len(rules) > 0, "rules must hold at least one rule")
    for needed, window, limit in rules:
        sound = 1 <= needed <= window <= 62 and limit >= 0
        require(sound, "rules must hold (needed, window, limit), needed not above window")
    hits, chances = _zones(rules, one_number("shift", shift))
    windows = [(needed, window) for needed, window, _ in rules for _ in (1, -1)]
    start = (0,) * len(windows)
    number = {start: 0}
    queue = [start]
    moves: list[tuple[int, int, float]] = []
    for state in queue:
        for bits, chance in zip(hits, chances, strict=True):
            following = _step(state, bits, windows)
            if following is None:
                continue
            if following not in number:
                number[following] = len(number)
                queue.append(following)
            moves.append((number[state], number[following], chance))
    stay = np.zeros((len(number), len(number)))
    for here, there, chance in moves:
        stay[here, there] += chance
    lengths = np.linalg.solve(np.eye(len(number)) - stay, np.ones(len(number)))
    return float(lengths[0])


def _zones(rules: Sequence[Rule], shift: float) -> tuple[list[tuple[bool, ...]], list[float]]:
    """What a point in each zone between the limits is to each rule and side, and its chance."""
    from scipy.special import ndtr

    limits = {float(limit) for *_, limit in rules}
    edges = np.array(sorted(limits | {-limit for limit in limits if limit}))
    chances = np.diff(ndtr(np.concatenate([[-np.inf], edges, [np.inf]]) - shift))
    middles = np.concatenate([[edges[0] - 1], (edges[:-1] + edges[1:]) / 2, [edges[-1] + 1]])
    hits = [
        tuple(bool(side * x > limit) for *_, limit in rules for side in (1, -1)) for x in middles
    ]
    return hits, [float(chance) for chance in chances]


def _step(
    state: tuple[int, ...], bits: tuple[bool, ...], windows: list[tuple[int, int]]
) -> tuple[int, ...] | None:
    """The state after one more point, None if a rule is completed. Bit 0 is the latest point."""
    following = []
    for recent, bit, (needed, window) in zip(state, bits, windows, strict=True):
        now = (recent << 1 | bit) & ((1 << window) - 1)
        if bit and now.bit_count() >= needed:
            return None
        following.append(_still_useful(now, needed, window))
    return tuple(following)


def _still_useful(recent: int, needed: int, window: int) -> int:
    """Drop the oldest hits that can no longer be part of a completed pattern."""
    recent &= (1 << (window - 1)) - 1
    while recent and recent.bit_count() + window - recent.bit_length() < needed:
        recent &= ~(1 << (recent.bit_length() - 1))
    return recent
