"""Repeats in rows of cans drawn at random: how often the answer is right, by length, and how sure.

Rows are drawn with a rate of bad cans at one place of N and another elsewhere; the counts of the
line that are known are 8, 12 and 24. Right is N and its place, and for chance that none is settled.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tests.bench.measure import timed
from tracelog.cases.sequence.rules import SETTLED
from tracelog.stats.repeats import AT_PLACE, ELSEWHERE, IN_ALL, Repeats, find_repeats
from tracelog.terminal import print_table

KNOWN = (8, 12, 24)
LENGTHS = (12, 24, 36, 48, 72, 96)
ROWS = 200
FIRST_SEED = 5000
_BINS = (0.0, 0.4, 0.6, 0.8, 0.95, 1.0000001)


@dataclass(frozen=True)
class Drawn:
    """A row, and the truth: N (0: chance, 1: every can) and the place."""

    cans: str
    every: int
    place: int


def draw(
    random: np.random.Generator, cans: int, every: int, there: float, elsewhere: float
) -> Drawn:
    """A row in which the cans of one place of `every` are bad at another rate than the others."""
    place = int(random.integers(max(every, 1)))
    own = np.arange(cans) % max(every, 1) == place if every > 1 else np.zeros(cans, dtype=bool)
    bad = random.random(cans) < np.where(own, there, elsewhere)
    return Drawn("".join("b" if one else "g" for one in bad), every, place)


def with_slip(random: np.random.Generator, drawn: Drawn) -> Drawn:
    """The same row with one can lost from it."""
    at = int(random.integers(len(drawn.cans) // 4, 3 * len(drawn.cans) // 4))
    return Drawn(drawn.cans[:at] + drawn.cans[at + 1 :], drawn.every, drawn.place)


def judged(drawn: Drawn, found: Repeats) -> tuple[bool, bool, bool]:
    """Whether the likeliest repeat is the true one, is settled and true, is settled and false."""
    best = found.repeats[0]
    chances = dict(found.by_every)
    right = (best.every, best.places) == (drawn.every, (drawn.place,))
    likelier = chances[best.every] > max(found.chance, found.alike)
    number, chance = found.by_every[0]
    settled = chance >= SETTLED
    return right and likelier, settled and number == drawn.every, settled and number != drawn.every


def print_repeating(rows: int = ROWS, first_seed: int = FIRST_SEED) -> None:
    """Print the tables."""
    _by_length(rows, first_seed)
    _chance_alone(rows, first_seed)
    _calibration(5 * rows, first_seed)
    with timed() as taken:
        for seed in range(20):
            random = np.random.default_rng([first_seed, seed])
            find_repeats(draw(random, 48, 12, 0.9, 0.01).cans, KNOWN)
    print(f"A row of 48 cans is weighed in {taken.seconds / 20 * 1000:.0f} ms.")


def _shares(outcomes: Iterable[tuple[bool, ...]]) -> list[str]:
    return [f"{100 * share:.0f}" for share in np.mean(list(outcomes), axis=0)]


def _by_length(rows: int, first_seed: int) -> None:
    cases = (
        ("every 12, 90 % bad there, 1 % elsewhere", 12, 0.9, 0.01, False),
        ("every 12, 60 %, 3 %", 12, 0.6, 0.03, False),
        ("every 12, 90 %, 1 %, a can lost", 12, 0.9, 0.01, True),
        ("every 24, 90 %, 1 %", 24, 0.9, 0.01, False),
        ("every 17 (no known count), 90 %, 1 %", 17, 0.9, 0.01, False),
    )
    told = []
    for number, (name, every, there, elsewhere, slips) in enumerate(cases):
        for length in LENGTHS:
            outcomes = []
            for seed in range(rows):
                random = np.random.default_rng([first_seed, number, length, seed])
                drawn = draw(random, length, every, there, elsewhere)
                drawn = with_slip(random, drawn) if slips else drawn
                outcomes.append(judged(drawn, find_repeats(drawn.cans, KNOWN)))
            told.append([name, length, *_shares(outcomes)])
    columns = ("planted", "cans", "likeliest is right, %", "settled right, %", "settled wrong, %")
    print_table(columns, told, title="Repeats by length of the row")


def _chance_alone(rows: int, first_seed: int) -> None:
    told = []
    for rate in (0.02, 0.05, 0.2, 0.5):
        for length in (24, 48, 96):
            outcomes = []
            for seed in range(rows):
                random = np.random.default_rng([first_seed, 99, length, round(rate * 100), seed])
                drawn = draw(random, length, 0, rate, rate)
                found = find_repeats(drawn.cans, KNOWN)
                scan = found.scan
                outcomes.append((judged(drawn, found)[2], scan is not None and scan.chance <= 0.05))
            told.append([f"{100 * rate:.0f} % bad at random", length, *_shares(outcomes)])
    columns = ("planted", "cans", "settled wrong, %", "scan at most 0.05, %")
    print_table(columns, told, title="Chance alone")


def _calibration(rows: int, first_seed: int) -> None:
    for name, is_harsh in (("drawn as weighed", False), ("clearer faults, few others", True)):
        said: list[tuple[float, bool]] = []
        for seed in range(rows):
            random = np.random.default_rng([first_seed, 77, int(is_harsh), seed])
            drawn = _of_any_kind(random, is_harsh)
            found = find_repeats(drawn.cans, KNOWN)
            chances = {0: found.chance, 1: found.alike, **dict(found.by_every)}
            best = max(chances, key=lambda one: chances[one])
            said.append((chances[best], best == drawn.every))
        values = np.array(said)
        told = []
        for low, high in pairwise(_BINS):
            rows_in = (values[:, 0] >= low) & (values[:, 0] < high)
            if rows_in.any():
                means = [f"{100 * mean:.0f}" for mean in values[rows_in].mean(axis=0)]
                told.append([f"{low:.2f} to {min(high, 1):.2f}", int(rows_in.sum()), *means])
        columns = ("probability of the likeliest", "rows", "said, %", "right, %")
        print_table(columns, told, title=f"How sure is sure: {name}")


def _of_any_kind(random: np.random.Generator, is_harsh: bool) -> Drawn:
    length = int(random.choice([24, 36, 48, 60]))
    kind = random.random()
    elsewhere = random.beta(1, 9 if kind < 0.4 else 30) if is_harsh else random.beta(*ELSEWHERE)
    if kind < 0.4:
        return draw(random, length, 0, elsewhere, elsewhere)
    if kind < 0.5:
        rate = random.beta(*IN_ALL)
        return Drawn(draw(random, length, 0, rate, rate).cans, 1, 0)
    every = int(random.choice(KNOWN)) if random.random() < 0.8 else int(random.integers(2, 65))
    there = random.uniform(0.3, 1.0) if is_harsh else random.beta(*AT_PLACE)
    return draw(random, length, every, there, elsewhere)
