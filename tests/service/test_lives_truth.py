"""Lives of the simulated plant, whose true distributions are known, are estimated as they are."""

import math
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from seed_demo.folder import write_folder
from seed_demo.simulate import SimulatedPlant, simulate
from seed_demo.sizes import PlantSize
from seed_demo.tools import SCALE_OF_LIFE, TOOL_TYPES, Fit, ToolType
from tests.support.plants import ENDS_AT, import_plant
from tracelog.db import reading
from tracelog.plant.tool_facts import RENEWING
from tracelog.service.lives import lives_by_type
from tracelog.service.lives_rules import (
    Costs,
    CountedAs,
    IntervalFrom,
    Life,
    Verdict,
    Why,
    decide,
    figures_of,
    judged,
)
from tracelog.service.lives_words import verdict_sentence
from tracelog.stats.intervals import Interval

MEDIUM = PlantSize(lines=2, bodymakers=8, days=365, pallet_days=0)
SEEDS = range(5)
TRUTH: dict[str, ToolType] = {one.tool_type: one for one in TOOL_TYPES}


def true_scale(kind: ToolType) -> float:
    return kind.life_strokes * SCALE_OF_LIFE


def true_b10(kind: ToolType) -> float:
    return true_scale(kind) * float((-math.log(0.9)) ** (1 / kind.shape))


def lives_of(plant: SimulatedPlant) -> Iterator[Life]:
    """Every life, from new or from one work to the next, with its true strokes."""
    renewed: dict[str, list[float]] = defaultdict(list)
    for work in plant.tools.works:
        if work.work in RENEWING:
            renewed[work.serial].append(work.at)
    stays: dict[tuple[str, int], list[Fit]] = defaultdict(list)
    for fit in sorted(plant.tools.fits, key=lambda fit: fit.fitted):
        number = sum(at <= fit.fitted for at in set(renewed[fit.tool.serial]))
        stays[fit.tool.serial, number].append(fit)
    end = float(plant.running.ends[-1])
    for (serial, number), fits in stays.items():
        made = sum(
            float(
                plant.running.made(fit.machine, end if fit.removed is None else fit.removed)
                - plant.running.made(fit.machine, fit.fitted)
            )
            for fit in fits
        )
        last = fits[-1]
        goes_on = last.removed is None or last.reason == "moved"
        said = judged(0, int(made), not goes_on, None if goes_on else last.reason, exact=True)
        kind = TOOL_TYPES[last.kind].tool_type
        ended = None if goes_on else ENDS_AT
        yield Life(serial, number, kind, kind, "", ENDS_AT, ended, 0, int(made), *said)


@pytest.fixture(scope="module")
def histories() -> list[dict[str, list[Life]]]:
    found = []
    for seed in SEEDS:
        by_type: dict[str, list[Life]] = defaultdict(list)
        for life in lives_of(simulate(MEDIUM, seed)):
            by_type[life.tool_type or ""].append(life)
        found.append(by_type)
    return found


def covers(interval: Interval[float] | None, truth: float) -> bool:
    return interval is not None and interval.low <= truth <= interval.high


def test_intervals_hold_the_truth_of_a_years_history(
    histories: list[dict[str, list[Life]]],
) -> None:
    """Five years of 16 bodymakers, seven types each: 95 % intervals, 35 of each kind."""
    held: Counter[str] = Counter()
    asked = 0
    for history in histories:
        for name, lives in history.items():
            figures, kind = figures_of(lives), TRUTH[name]
            if figures.failures < 3:
                continue
            asked += 1
            held["shape"] += covers(figures.shape, kind.shape)
            held["scale"] += covers(figures.scale, true_scale(kind))
            held["b10"] += covers(figures.b10, true_b10(kind))
    assert asked >= 33
    for name, count in held.items():
        # A share of 0.95 falls to 29 of 35 or lower once in fifty times.
        assert count >= 30, f"{name}: {count} of {asked}"


def test_sleeves_that_fail_at_random_are_told_apart_from_tools_that_wear(
    histories: list[dict[str, list[Life]]],
) -> None:
    pooled: dict[str, list[Life]] = defaultdict(list)
    for history in histories:
        for name, lives in history.items():
            pooled[name] += lives
    costs = Costs(1.0, 5.0, is_guess=True)
    for name, lives in pooled.items():
        figures = figures_of(lives)
        result = decide(figures, costs, (None, IntervalFrom.NONE), 1e6)
        said = verdict_sentence(figures, result)
        if name == "redraw-sleeve":
            assert result.verdict is Verdict.DOES_NOT_PAY
            assert said.startswith("Replacing by age does not pay")
        else:
            assert result.verdict is Verdict.PAYS, name
            assert said.startswith("Replace at about")


def test_a_years_history_of_one_plant_never_advises_against_the_truth_by_much(
    histories: list[dict[str, list[Life]]],
) -> None:
    """What is advised costs next to nothing more than the best interval of the true life."""
    from tracelog.stats.replacement import age_replacement, replacement_cost_rate

    for history in histories:
        for name, lives in history.items():
            kind = TRUTH[name]
            result = decide(
                figures_of(lives), Costs(1.0, 5.0, is_guess=True), (None, IntervalFrom.NONE), 1e6
            )
            if result.verdict is not Verdict.PAYS or result.saving is None:
                continue
            advised = result.saving.best.interval
            best = age_replacement(kind.shape, true_scale(kind), 1, 5)
            paid = float(replacement_cost_rate(advised, kind.shape, true_scale(kind), 1, 5))
            assert paid < best.cost_rate * 1.15, name


def test_a_months_history_gives_no_false_advice(plant_session: Session) -> None:
    kinds, without_type = lives_by_type(plant_session, ENDS_AT)
    assert {one.tool_type for one in kinds} == set(TRUTH)
    assert without_type == 0
    assert all(one.replacing.verdict is not Verdict.PAYS for one in kinds)


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_lives_read_from_the_database_hold_the_truth_too(
    own_engine: Engine, tmp_path: Path
) -> None:
    """Half a year of one line: what readings and fits tell is as true as the simulator."""
    history = simulate(PlantSize(lines=1, bodymakers=6, days=200, pallet_days=0), 3)
    write_folder(history, tmp_path / "plant")
    import_plant(own_engine, tmp_path / "plant")
    with reading(own_engine) as session:
        kinds, _without_type = lives_by_type(session, ENDS_AT)
    ages = sorted(life.strokes for life in lives_of(history) if life.strokes > 0)
    fitted = counted = held = 0
    for one in kinds:
        kind = TRUTH[one.tool_type]
        whole = [life for life in one.lives if life.why != Why.COUNT_INCOMPLETE]
        counted += sum(life.counted_as is not CountedAs.LEFT_OUT for life in whole)
        if one.figures.failures >= 3:
            fitted += 1
            held += covers(one.figures.shape, kind.shape)
            held += covers(one.figures.scale, true_scale(kind))
    assert fitted >= 5
    # Two intervals of each; of a dozen or so of 95 % one or two may well miss.
    assert held >= 2 * fitted - 2
    # Nearly all lives are told, and their strokes together are those that were made.
    lives = [life for one in kinds for life in one.lives]
    told = [life for life in lives if life.counted_as is not CountedAs.LEFT_OUT]
    assert 0.9 * len(ages) <= len(told) <= len(ages)
    assert counted >= 0.9 * len(told)
    unknown = [life for life in lives if life.why == Why.AGE_UNKNOWN]
    made = sum(life.strokes for life in [*told, *unknown])
    assert made == pytest.approx(sum(ages), rel=0.01)
