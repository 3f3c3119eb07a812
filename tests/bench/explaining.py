"""Explanations on simulated plants with one planted cause: how often the first one is right.

Plants have machines that differ, days that differ, crews that report more or less, and 3 % of
codes that are read as another machine's (`seed_demo/planting.py`). The engine is driven on arrays.
Beside it: the machine with most entries, and the one of the true kind with the highest rate.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from math import log

import click
import numpy as np

from seed_demo.planting import KINDS, PlantedCause, plant_cause
from seed_demo.simulate import SimulatedPlant, simulate
from seed_demo.sizes import PlantSize
from tests.cases.explain.planted import evidence_of
from tracelog.cases.explain.evidence import CauseKind
from tracelog.cases.explain.hypotheses import ANY_CAUSE, Cause
from tracelog.cases.explain.ranking import Ranking, rank
from tracelog.stats.inputs import BoolArray, FloatArray
from tracelog.terminal import print_table

NAMED = ("moved tool", "coil put back", "crew", "line change", "service", "wear")
NOTHING = "nothing"
SEEDS = 50
DAYS, HISTORY = 70, 100
NOTHINGS_A_SEED = 5
_BINS = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.9, 0.97, 1.0000001)


@dataclass(frozen=True)
class Outcome:
    """What came of one question.

    `place` is that of the true cause among all answers, nothing special included, from 1; 99: not
    listed. `alike`: the first answer covers the same machines and hours as the true one. `chances`
    are (probability, whether true) of all answers, a bad tool and its wear together.
    """

    kind: str
    truth: PlantedCause
    place: int
    alike: bool
    chances: tuple[tuple[float, bool], ...]
    highest: float
    busiest_right: bool
    of_kind_right: bool


def is_right(cause: Cause, truth: PlantedCause) -> bool:
    """Whether a cause is the planted one; a tool is the same tool whether it wears or is bad."""
    same = cause.kind == truth.kind or {cause.kind.value, truth.kind} == {"tool", "wear"}
    return same and cause.name == truth.name


def ask(kind: str, seed: int, number: int = 0) -> Outcome | None:
    """Plant a cause and ask; None where the plant has nothing to plant it in."""
    size = PlantSize(lines=4, bodymakers=8, days=DAYS + HISTORY, pallet_days=0)
    base = _SIMULATED.get(seed)
    if base is None:
        _SIMULATED.clear()
        base = _SIMULATED[seed] = simulate(size, 1000 + seed)
    place = (*KINDS, NOTHING).index(kind)
    try:
        plant, truth = plant_cause(base, kind, DAYS, np.random.default_rng([seed, place, number]))
    except LookupError:
        return None
    return judged(kind, rank(evidence_of(plant, truth, DAYS, seed=seed)), truth)


_SIMULATED: dict[int, SimulatedPlant] = {}


def judged(kind: str, found: Ranking, truth: PlantedCause) -> Outcome:
    """Compare what was found with what was planted."""
    answers = [(one.probability, is_right(one.cause, truth), one) for one in found.likely]
    listed = [(chance, right) for chance, right, _one in answers]
    listed.append((found.nothing, truth.kind == NOTHING))
    listed.sort(key=lambda pair: -pair[0])
    places = [place for place, (_chance, right) in enumerate(listed, start=1) if right]
    together = _together(found, truth)
    return Outcome(
        kind,
        truth,
        places[0] if places else 99,
        _alike(found, truth),
        together,
        max(one.probability for one in found.likely),
        _busiest(found) == _machine_of(truth),
        _highest_of_kind(found, truth),
    )


def _together(found: Ranking, truth: PlantedCause) -> tuple[tuple[float, bool], ...]:
    """(Probability, whether true) of all answers; that of a tool is told once, worn or bad."""
    sums: dict[tuple[str, str], tuple[float, bool]] = {}
    for one in found.likely:
        kind = "tool" if one.cause.kind is CauseKind.WEAR else one.cause.kind.value
        before, _right = sums.get((kind, one.cause.name), (0.0, False))
        right = is_right(one.cause, truth)
        sums[kind, one.cause.name] = (before + one.probability, right)
    return (*sums.values(), (found.nothing, truth.kind == NOTHING))


def _alike(found: Ranking, truth: PlantedCause) -> bool:
    """Whether the first answer covers nearly the machines and hours of the true one."""
    true_one = [one for one in found.likely if is_right(one.cause, truth)]
    first = found.likely[0]
    if not true_one or found.nothing > first.probability:
        return False
    ours, theirs = _covered(found, first), _covered(found, true_one[0])
    return bool((ours & theirs).sum() >= 0.95 * (ours | theirs).sum())


def _covered(found: Ranking, one: object) -> BoolArray:
    evidence = found.ground.evidence
    covered = np.zeros(evidence.strokes.shape, dtype=np.bool_)
    begins = evidence.edges[:-1]
    if one.set_number is None:  # type: ignore[attr-defined]
        stays = evidence.tools
        rows = np.flatnonzero(stays.owner == one.tool)  # type: ignore[attr-defined]
    else:
        stays = found.hypotheses.stretches  # type: ignore[assignment]
        rows = np.flatnonzero(stays.owner == one.set_number)  # type: ignore[attr-defined]
    for row in rows.tolist():
        inside = (begins >= stays.start[row]) & (begins < stays.end[row])
        covered[stays.machine[row], inside & (begins >= evidence.start)] = True
    return covered


def _busiest(found: Ranking) -> str:
    return found.ground.evidence.machines[int(np.argmax(found.ground.counts))]


def _machine_of(truth: PlantedCause) -> str:
    if truth.kind in ("service", "change"):
        return truth.name.split(" @ ")[1]
    return truth.name if truth.kind == "machine" else ""


def _highest_of_kind(found: Ranking, truth: PlantedCause) -> bool:
    """Whether the thing of the true kind with the highest rate, of five entries or more, is it."""
    hypotheses, weighed = found.hypotheses, found.weighed
    kind = "tool" if truth.kind == "wear" else truth.kind
    own = [
        place
        for place, cause in enumerate(hypotheses.cause_of.tolist())
        if hypotheses.causes[cause].kind == kind
        and (np.isnan(hypotheses.since[place]) or kind in (CauseKind.CHANGE, CauseKind.SERVICE))
        and weighed.counts[place] >= 5
    ]
    if not own:
        return False
    best = max(own, key=lambda place: weighed.counts[place] / weighed.expected[place])
    return hypotheses.causes[int(hypotheses.cause_of[best])].name == truth.name


def outcomes(kinds: Sequence[str], seeds: Iterable[int]) -> list[Outcome]:
    """Ask about every kind on every plant."""
    found = []
    for seed in seeds:
        for kind in kinds:
            for number in range(NOTHINGS_A_SEED if kind == NOTHING else 1):
                one = ask(kind, seed, number)
                if one is not None:
                    found.append(one)
    return found


def print_explaining(seeds: int = SEEDS, first: int = 0) -> None:
    """Print all tables, of so many plants from the first seed on; two processes share the work."""
    with ProcessPoolExecutor(2) as pool:
        parts = pool.map(_of_one_seed, range(first, first + seeds))
        found = [one for part in parts for one in part]
    by_kind: dict[str, list[Outcome]] = defaultdict(list)
    for one in found:
        by_kind[one.kind].append(one)
        by_kind["the six named" if one.kind in NAMED else "others"].append(one)
    order = (*NAMED, "the six named", *(kind for kind in KINDS if kind not in NAMED), NOTHING)
    print_table(
        (
            *("planted", "plants", "first right", "or same hours", "among three"),
            *("excess, middle", "most entries", "highest of its kind"),
        ),
        [_row(kind, by_kind[kind]) for kind in order if by_kind[kind]],
        title="Share of plants",
    )
    quiet = by_kind[NOTHING]
    if quiet:
        loud = sum(one.highest >= 0.8 for one in quiet) / len(quiet)
        click.echo(f"nothing planted: an explanation of 0.8 or more in {loud:.1%}\n")
    _print_calibration(found)


def _of_one_seed(seed: int) -> list[Outcome]:
    return outcomes((*KINDS, NOTHING), [seed])


def _row(kind: str, found: Sequence[Outcome]) -> list[str]:
    def share(chosen: Sequence[bool]) -> str:
        return f"{sum(chosen) / len(found):.0%}"

    is_nothing = kind == NOTHING
    return [
        kind,
        str(len(found)),
        share([one.place == 1 for one in found]),
        "" if is_nothing else share([one.place == 1 or one.alike for one in found]),
        share([one.place <= 3 for one in found]),
        "" if is_nothing else f"{np.median([one.truth.excess for one in found]):.0f}",
        "" if is_nothing else share([one.busiest_right for one in found]),
        "" if is_nothing else share([one.of_kind_right for one in found]),
    ]


def _print_calibration(found: Sequence[Outcome]) -> None:
    """Print how often what was said is true.

    Questions where nothing is planted count for as much as "nothing special" has beforehand.
    """
    nothings = sum(one.kind == NOTHING for one in found)
    wanted = (1 - ANY_CAUSE) / ANY_CAUSE * (len(found) - nothings)
    weight = [wanted / nothings if one.kind == NOTHING else 1.0 for one in found]
    every = [(*pair, by) for one, by in zip(found, weight, strict=True) for pair in one.chances]
    chances, right, weights = (np.array(column) for column in zip(*every, strict=True))
    _print_bins(chances, right, weights)
    brier = [
        sum((p - is_true) ** 2 for p, is_true in one.chances)
        + (not any(is_true for _p, is_true in one.chances))
        for one in found
    ]
    said = [max((p for p, is_true in one.chances if is_true), default=1e-4) for one in found]
    logs = [-log(max(p, 1e-4)) for p in said]
    click.echo(
        f"Brier score {np.average(brier, weights=weight):.3f} (0 best, 2 worst), log score "
        f"{np.average(logs, weights=weight):.3f} of {len(found)} questions"
    )


def _print_bins(chances: FloatArray, right: FloatArray, weights: FloatArray) -> None:
    rows = []
    for low, high in pairwise(_BINS):
        inside = (chances >= low) & (chances < high)
        if inside.any():
            rows.append(
                [
                    f"{low:g} to {min(high, 1):g}",
                    f"{inside.sum():,}",
                    f"{np.average(chances[inside], weights=weights[inside]):.3f}",
                    f"{np.average(right[inside], weights=weights[inside]):.3f}",
                ]
            )
    print_table(("said", "answers", "mean said", "true"), rows, title="Probabilities and truth")
