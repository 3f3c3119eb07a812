"""Machines between overhauls: runs, failures in strokes, trend, and strokes between failures."""

import math

import numpy as np
import pytest
from scipy import stats
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.service.lives_words import gaps_sentence, overhaul_sentence
from tracelog.service.machine_lives import MachineLives, machine_lives
from tracelog.service.machine_lives_rules import (
    Gap,
    Run,
    RunFigures,
    Trend,
    gap_figures,
    highest_level,
    run_figures,
)
from tracelog.service.rules import Level

K = 1_000


def lives(runs: RunFigures, gaps: list[Gap] | None = None) -> MachineLives:
    return MachineLives("overhaul", runs, 0, gap_figures(gaps or []))


def drawn(shape: float, machines: int, seed: int = 1) -> list[Run]:
    """Runs of 100 million strokes in which 3 failures are expected, by a power law."""
    rng = np.random.default_rng(seed)
    return [
        Run(
            f"1-{number}",
            100_000_000,
            tuple(sorted((1e8 * rng.random(rng.poisson(3)) ** (1 / shape)).astype(int).tolist())),
        )
        for number in range(machines)
    ]


# --- the rules


def test_the_overhaul_is_the_level_with_the_longest_interval() -> None:
    levels = [
        Level("bodymaker", "minor", 10, None),
        Level("bodymaker", "overhaul", 100, 240),
        Level("bodymaker", "odd", None, None),
        Level("washer", "clean", 10**9, None),
    ]
    found = highest_level(levels, "bodymaker")
    assert found is not None
    assert found.service == "overhaul"
    by_days = highest_level([Level("bodymaker", "yearly", None, 365)], "bodymaker")
    assert by_days is not None
    assert highest_level([levels[2]], "bodymaker") is None


@pytest.mark.parametrize(
    ("shape", "trend", "words"),
    [
        (2.5, Trend.WORSE, "It gets worse with strokes"),
        (0.4, Trend.BETTER, "It gets better with strokes"),
        (1.0, Trend.NONE_SHOWN, "It is not shown that it gets worse"),
    ],
)
def test_a_trend_is_told_where_there_is_one(shape: float, trend: Trend, words: str) -> None:
    figures = run_figures(drawn(shape, 30))
    assert figures.trend is trend
    assert figures.shape is not None
    assert figures.shape.low < shape < figures.shape.high
    assert figures.thirds is not None
    assert overhaul_sentence(lives(figures)).startswith(words)
    first, last = figures.thirds
    assert (last > first) == (figures.shape.estimate > 1)


def test_the_shape_of_the_trend_covers_the_truth_as_often_as_it_says() -> None:
    covered = 0
    for seed in range(300):
        shape = run_figures(drawn(1.6, 6, seed)).shape
        covered += shape is not None and shape.low <= 1.6 <= shape.high
    assert stats.binomtest(covered, 300, 0.95).pvalue > 0.001


def test_too_few_failures_tell_no_trend() -> None:
    for runs in ([], [Run("1-1", 0, ())], [Run("1-1", 10, ())], [Run("1-1", 10, (4,))]):
        figures = run_figures(runs)
        assert figures.trend is Trend.TOO_FEW
        assert "too few to tell" in overhaul_sentence(lives(figures))
    at_the_end = run_figures([Run("1-1", 10, (10, 10))])
    assert at_the_end.trend is Trend.TOO_FEW


def test_a_failure_before_the_first_stroke_is_no_wear() -> None:
    with_it = run_figures([*drawn(1.0, 5), Run("2-1", 5_000_000, (0, 0))])
    assert with_it.failures == run_figures(drawn(1.0, 5)).failures


def test_strokes_between_unplanned_services_have_an_exact_interval() -> None:
    gaps = [Gap(40, True, False), Gap(60, True, True), Gap(100, False, True)]
    figures = gap_figures(gaps)
    assert figures.failures == 2
    assert figures.mean is not None
    assert figures.mean.mean == 100
    assert figures.mean.low == pytest.approx(2 * 200 / stats.chi2.ppf(0.975, 6))
    assert figures.mean.high == pytest.approx(2 * 200 / stats.chi2.ppf(0.025, 4))
    assert figures.shape is None
    said = gaps_sentence(lives(run_figures([]), gaps))
    assert said.startswith("A machine makes 100 strokes")


def test_without_an_unplanned_service_the_least_is_told() -> None:
    figures = gap_figures([Gap(3_000_000, False, False)])
    assert figures.mean is not None
    assert figures.mean.mean == math.inf
    said = gaps_sentence(lives(run_figures([]), [Gap(3_000_000, False, False)]))
    assert said.startswith("No unplanned service is on record: a machine makes 813")
    assert gaps_sentence(lives(run_figures([]))) == "No strokes are on record yet."


def test_failures_in_clusters_are_told_as_such() -> None:
    rng = np.random.default_rng(4)
    gaps = [Gap(int(1e8 * life), True, True) for life in rng.weibull(0.4, 30) if life > 1e-6]
    assert "in clusters" in gaps_sentence(lives(run_figures([]), gaps))
    alike = [Gap(int(1e8 * life), True, True) for life in rng.weibull(1.0, 30)]
    assert "in clusters" not in gaps_sentence(lives(run_figures([]), alike))
    same = gap_figures([Gap(100, True, True)] * 6)
    assert same.shape is None


# --- the queries


@pytest.fixture
def served(session: Session) -> Session:
    """1-1 has two overhauls (`major`), 1-2 one, 2-1 none; unplanned services here and there."""
    plant.write_plant(session)
    plant.write_readings(session)
    plant.write_levels(session)
    plant.serve(session, "1-1", "major", 100)
    plant.serve(session, "1-1", "minor", 150, unplanned=True)
    plant.serve(session, "1-1", "minor", 160)
    plant.serve(session, "1-1", "major", 300, unplanned=True)
    plant.serve(session, "1-2", "major", 50)
    plant.serve(session, "1-2", "minor", 20, unplanned=True)
    plant.serve(session, "1-2", "minor", 60, unplanned=True)
    plant.serve(session, "1-3", "major", 50)  # never read
    return session


def test_failures_count_in_strokes_from_the_overhaul_before(served: Session) -> None:
    found = machine_lives(served, hour(HOURS))
    assert found.overhaul == "major"
    assert found.not_begun == 1
    assert (found.runs.runs, found.runs.failures) == (3, 3)
    ages = [age for age, _mean in found.runs.steps]
    # 1-2 after 10 hours at 24,000; 1-1 after 50 hours at 12,000, and at its unplanned overhaul.
    assert ages == [240 * K, 600 * K, 2400 * K]
    assert [mean for _age, mean in found.runs.steps] == pytest.approx([1 / 3, 2 / 3, 1.0])


def test_all_strokes_stand_behind_the_mean_between_failures(served: Session) -> None:
    gaps = machine_lives(served, hour(HOURS)).gaps
    assert gaps.failures == 4
    assert gaps.mean is not None
    assert gaps.mean.mean == pytest.approx(HOURS * (12 + 24 + 12) * K / 4)


def test_the_answer_as_of_an_instant_knows_nothing_of_later_services(served: Session) -> None:
    found = machine_lives(served, hour(156))
    assert (found.runs.runs, found.runs.failures, found.gaps.failures) == (2, 2, 3)


def test_a_service_before_the_first_reading_begins_no_run(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)
    plant.write_levels(session)
    plant.serve(session, "1-1", "major", -5)
    found = machine_lives(session, hour(HOURS))
    assert (found.runs.runs, found.not_begun) == (0, 3)


def test_a_plant_without_levels_has_no_overhauls(session: Session) -> None:
    plant.write_plant(session)
    found = machine_lives(session, hour(HOURS))
    assert found.overhaul is None
    assert overhaul_sentence(found).startswith("No levels of service are entered")


def test_the_number_of_statements_does_not_grow(served: Session, statements: Statements) -> None:
    def counted() -> int:
        served.expire_all()
        with statements.counted() as sent:
            machine_lives(served, hour(HOURS))
        return len(sent)

    before = counted()
    for number in range(10):
        plant.serve(served, "2-1", "major", 10 + 20 * number)
        plant.serve(served, "2-1", "minor", 15 + 20 * number, unplanned=True)
    assert counted() == before
