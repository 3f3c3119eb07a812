"""Wear and misreading on small plants made by hand, where what is right can be said beforehand."""

import numpy as np
import pytest

from tracelog.cases.explain.evidence import CauseKind, Entries, Evidence, Labels, Stays
from tracelog.cases.explain.hypotheses import wear_priors
from tracelog.cases.explain.ranking import rank
from tracelog.cases.explain.usual import learn
from tracelog.cases.explain.wear import Worn, weigh_wear
from tracelog.cases.explain.weighing import Ground
from tracelog.stats.explanations import noticed_priors, probabilities
from tracelog.stats.inputs import FloatArray, IntArray

DAY = 86_400.0
DAYS, HISTORY = 60, 60
A_DAY = 400_000.0  # strokes of each machine
NONE = Labels((), np.full(DAYS + HISTORY, -1, dtype=np.intp))
# A tool back on its machine after two weeks elsewhere, in days from the period's beginning; one
# that was always on another machine.
STAYS = (
    *(("R1-0101", 0, -10, 10), ("R1-0101", 1, 10, 24), ("R1-0101", 0, 24, 50)),
    ("R1-0205", 5, -60, 60),
)


def evidence(machine: IntArray, days: FloatArray) -> Evidence:
    """Two lines of four machines that all make alike; entries at days from the period's start."""
    edges: FloatArray = np.arange(DAYS + HISTORY + 1, dtype=np.float64) * DAY
    start = HISTORY * DAY
    alike = np.arange(8 * 30)
    # With nothing special one entry of each machine every four days.
    at = np.r_[(alike // 8 + 0.5 + 0.01 * (alike % 8)) * 4 * DAY, start + days * DAY]
    where = np.r_[alike % 8, machine]
    ones = np.ones(len(at))
    names = tuple(dict.fromkeys(name for name, *_rest in STAYS))
    owner, of, begin, end = (
        np.array(column)
        for column in zip(
            *((names.index(name), m, begin, end) for name, m, begin, end in STAYS), strict=True
        )
    )
    tools = Stays(
        names,
        ("ring-1",) * len(names),
        owner,
        of,
        start + begin * DAY,
        start + end * DAY,
        np.maximum(begin + 10, 0) * A_DAY,
    )
    return Evidence(
        machines=tuple(f"{1 + m // 4}-{1 + m % 4}" for m in range(8)),
        line_of=np.arange(8) // 4,
        lines=("1", "2"),
        edges=edges,
        start=start,
        strokes=np.full((8, DAYS + HISTORY), A_DAY),
        day=np.arange(DAYS + HISTORY),
        crews=NONE,
        shifts=NONE,
        hours=NONE,
        others=np.full(DAYS + HISTORY, 40.0),
        entries=Entries(where, at, ones, ones, np.full(len(at), -1)),
        stations=(),
        tools=tools,
        coils=Stays(),
        changes=Stays(),
        services=Stays(),
    )


def worn(found: Evidence) -> Worn:
    return weigh_wear(Ground(found, learn(found)))


def rising(low: float, high: float, count: int) -> FloatArray:
    """Days that come closer together towards the end."""
    return low + (high - low) * np.linspace(0.01, 0.99, count) ** 0.4


def test_wear_is_told_where_a_tool_makes_ever_more_and_its_flood_is_not_its_own_usual() -> None:
    days = rising(24, 50, 40)
    one = worn(evidence(np.zeros(len(days), dtype=np.intp), days))
    place = one.tools.tolist().index(0)
    assert one.log_factors[place] > 10
    # The tool was in for 50 days, 14 of them on the second machine: one in four days is usual,
    # though its other stay on the first machine was full of defects.
    assert one.expected[place] == pytest.approx(50 / 4, rel=0.25)
    assert one.ends[place] > 4


def test_what_did_not_grow_is_no_wear() -> None:
    one = worn(evidence(np.zeros(0, dtype=np.intp), np.zeros(0)))
    assert (one.log_factors < 0).all()


def test_a_tool_that_was_always_in_is_judged_by_what_grew_within_the_period() -> None:
    days = rising(0, 60, 45)
    found = rank(evidence(np.full(len(days), 5), days))
    wear = next(one for one in found.likely if one.cause.name == "R1-0205" and one.tool is not None)
    assert wear.probability > found.nothing
    assert 3 < wear.ratio < 7


def test_bad_or_worn_a_tool_is_told_once_with_the_chance_of_both() -> None:
    days = rising(0, 60, 45)
    given = evidence(np.full(len(days), 5), days)
    found = rank(given)
    things = [one.cause.thing for one in found.likely]
    assert len(set(things)) == len(things)
    wear = next(one for one in found.likely if one.cause.kind is CauseKind.WEAR)
    # The same by hand: what all weigh, that of the tool as bad and as worn added up.
    hypotheses, wears = found.hypotheses, weigh_wear(found.ground)
    family = np.r_[hypotheses.family, np.full(len(wears.tools), hypotheses.kinds - 1)]
    before = np.r_[hypotheses.log_priors, wear_priors(given, hypotheses, wears.tools)]
    seen = np.r_[found.weighed.log_noticed, wears.log_noticed]
    shares, _nothing = probabilities(
        noticed_priors(before, seen, family), np.r_[found.weighed.log_factors, wears.log_factors]
    )
    sets = len(hypotheses.cause_of)
    names = [hypotheses.causes[cause] for cause in hypotheses.cause_of.tolist()]
    as_bad = sum(
        share
        for share, cause in zip(shares[:sets].tolist(), names, strict=True)
        if (cause.kind, cause.name) == (CauseKind.TOOL, "R1-0205")
    )
    as_worn = float(shares[sets:][wears.tools.tolist().index(1)])
    assert 0 < as_bad < as_worn
    assert wear.probability == pytest.approx(as_bad + as_worn)


def test_a_flood_leaves_its_misread_on_the_machines_beside_it_only() -> None:
    days = np.linspace(20, 40, 120)
    usual = learn(evidence(np.zeros(len(days), dtype=np.intp), days))
    within = usual.misread[:, HISTORY:].sum(axis=1)
    assert within[4:] == pytest.approx(0.0, abs=0.05)
    # 3 of 100 of the flood, on three machines.
    assert within[1:4].sum() == pytest.approx(0.03 * 120, rel=0.25)
    assert within[0] == pytest.approx(0.0, abs=0.05)
    quiet = learn(evidence(np.zeros(0, dtype=np.intp), np.zeros(0)))
    assert quiet.misread.sum() == pytest.approx(0.0, abs=0.05)
