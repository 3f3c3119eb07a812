"""Planted causes are found, on arrays: one plant, one cause of each kind. The bench has many."""

import numpy as np
import pytest

from seed_demo.planting import PlantedCause, plant_cause
from seed_demo.simulate import SimulatedPlant, simulate
from seed_demo.sizes import PlantSize
from tests.bench.explaining import is_right
from tests.cases.explain.planted import evidence_of
from tracelog.cases.explain.explaining import explained
from tracelog.cases.explain.hypotheses import ANY_CAUSE, build, wear_priors
from tracelog.cases.explain.inside import inside_of, whole_of
from tracelog.cases.explain.questions import ExplainQuestion
from tracelog.cases.explain.ranking import Ranking, rank
from tracelog.cases.explain.wording import moment

DAYS = 56


@pytest.fixture(scope="module")
def base() -> SimulatedPlant:
    return simulate(PlantSize(lines=3, bodymakers=6, days=140, pallet_days=0), 1004)


def asked(base: SimulatedPlant, kind: str, seed: int = 0) -> tuple[Ranking, PlantedCause]:
    plant, truth = plant_cause(base, kind, DAYS, np.random.default_rng([seed, 1]))
    return rank(evidence_of(plant, truth, DAYS)), truth


@pytest.mark.parametrize(
    "kind", ["moved tool", "coil put back", "crew", "line change", "service", "wear", "shift"]
)
def test_a_planted_cause_is_among_the_first_three_and_likelier_than_nothing(
    base: SimulatedPlant, kind: str
) -> None:
    # A service of which the first seed has a tool that came with it.
    found, truth = asked(base, kind, 1 if kind == "service" else 0)
    places = [place for place, one in enumerate(found.likely) if is_right(one.cause, truth)]
    assert places, kind
    assert places[0] < 3
    right = found.likely[places[0]]
    assert right.probability > found.nothing
    assert right.ratio_low > 1
    assert right.ratio_low < right.ratio < right.ratio_high


def test_with_nothing_planted_nothing_special_comes_first(base: SimulatedPlant) -> None:
    for seed in range(4):
        found, _truth = asked(base, "nothing", seed)
        assert found.nothing > max(one.probability for one in found.likely)
        assert max(one.probability for one in found.likely) < 0.8


def test_a_beginning_is_told_with_the_time_in_which_it_lies(base: SimulatedPlant) -> None:
    found, truth = asked(base, "line")
    one = next(one for one in found.likely if one.cause.kind == "line")
    since = base.clock.start_at.timestamp() + truth.since
    assert one.since is not None
    assert one.since_low is not None
    assert one.since_high is not None
    assert one.since_low <= one.since <= one.since_high
    assert abs(one.since - since) < 4 * 86_400


def test_all_chances_beforehand_add_up_to_that_of_any_cause(base: SimulatedPlant) -> None:
    plant, truth = plant_cause(base, "crew", DAYS, np.random.default_rng(1))
    evidence = evidence_of(plant, truth, DAYS)
    hypotheses = build(evidence)
    tools = np.unique(evidence.tools.owner[evidence.tools.end > evidence.start])
    wear = np.exp(wear_priors(evidence, hypotheses, tools)).sum()
    assert np.exp(hypotheses.log_priors).sum() + wear == pytest.approx(ANY_CAUSE)


def test_all_probabilities_add_up_to_one(base: SimulatedPlant) -> None:
    found, _truth = asked(base, "moved tool")
    assert sum(one.probability for one in found.likely) + found.nothing <= 1 + 1e-9
    assert sum(one.probability for one in found.likely) + found.nothing > 0.99


def test_inside_and_outside_of_a_moved_tool_are_its_stays(base: SimulatedPlant) -> None:
    found, truth = asked(base, "moved tool")
    one = next(one for one in found.likely if is_right(one.cause, truth))
    inside, whole = inside_of(found, one), whole_of(found.ground.evidence)
    evidence, tools = found.ground.evidence, found.ground.evidence.tools
    rows = np.flatnonzero(tools.owner == tools.names.index(one.cause.name))
    cans = strokes = 0.0
    for row in rows.tolist():
        start = max(tools.start[row], evidence.start, one.since or 0.0)
        if tools.end[row] <= start:
            continue
        own = (evidence.entries.machine == tools.machine[row]) & (evidence.entries.at >= start)
        cans += evidence.entries.cans[own & (evidence.entries.at < tools.end[row])].sum()
        sums = np.r_[0.0, np.cumsum(evidence.strokes[tools.machine[row]])]
        strokes += np.diff(np.interp([start, tools.end[row]], evidence.edges, sums))[0]
    assert inside.cans == cans
    assert inside.strokes == pytest.approx(strokes, abs=2)
    assert 0 < inside.cans < whole.cans
    assert 0 < inside.strokes < whole.strokes


def test_a_second_cause_is_told_beside_the_first(base: SimulatedPlant) -> None:
    plant, truth = plant_cause(base, "moved tool", DAYS, np.random.default_rng([0, 1]))
    evidence = evidence_of(plant, truth, DAYS)
    # A burst of a third machine on top, as many as the tool made.
    busy = 2
    at = np.linspace(evidence.end - 20 * 86_400, evidence.end - 60, 60)
    entries = evidence.entries
    more = type(entries)(
        np.r_[entries.machine, np.full(60, busy)],
        np.r_[entries.at, at],
        np.r_[entries.counted, np.ones(60)],
        np.r_[entries.cans, np.ones(60)],
        np.r_[entries.station, np.zeros(60, dtype=np.intp)],
    )
    both = type(evidence)(**{**vars(evidence), "entries": more})
    answer = explained(question_of(evidence.start, evidence.end, truth.defect), both)
    assert answer.beside is not None
    stories = [answer.likely[0], answer.beside]
    machines = [{one.machine for one in inside.stretches} for _likely, inside in stories]
    assert [busy in own for own in machines].count(True) == 1
    assert any(is_right(likely.cause, truth) for likely, _inside in stories)


def question_of(start: float, end: float, defect: str) -> ExplainQuestion:
    first, last = moment(start), moment(end)
    assert first is not None
    assert last is not None
    return ExplainQuestion(defect, first, last)


def test_the_first_two_are_told_apart_by_something_to_do(base: SimulatedPlant) -> None:
    plant, truth = plant_cause(base, "machine", DAYS, np.random.default_rng([0, 1]))
    evidence = evidence_of(plant, truth, DAYS)
    answer = explained(question_of(evidence.start, evidence.end, truth.defect), evidence)
    assert answer.apart
    best = answer.apart[0]
    assert 0 < best.bits <= 1
    assert best.bits == max(one.bits for one in answer.apart)
    assert best.sentence.endswith((".", "?"))


def test_without_any_settled_entry_there_is_nothing_to_explain(base: SimulatedPlant) -> None:
    plant, truth = plant_cause(base, "crew", DAYS, np.random.default_rng(1))
    evidence = evidence_of(plant, truth, DAYS, unsettled=1.0)
    answer = explained(question_of(evidence.start, evidence.end, truth.defect), evidence)
    assert (answer.nothing, answer.likely, answer.causes) == (1.0, (), 0)
    assert answer.whole.unsettled == answer.whole.cans > 0
