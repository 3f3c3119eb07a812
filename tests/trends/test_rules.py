import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.trends.rules import (
    ChartKind,
    Evidence,
    Found,
    chart_cautions,
    drawn_chart,
    evidence_of,
    join_counts,
    kinds_of,
    pareto,
    silence,
)

counts = st.integers(0, 10_000)
found = st.builds(Found, cans=counts, occurrences=counts, entries=st.integers(1, 50))


def test_strokes_without_entries_count_zero() -> None:
    [tally] = join_counts({}, {"3-7": 1_000})
    assert (tally.counted, tally.exposure, tally.has_rate) == (0, 1_000, True)


def test_entries_without_strokes_are_shown_without_a_rate() -> None:
    [tally] = join_counts({"3-7": Found(5, 2, 1)}, {"3-7": 0})
    assert (tally.counted, tally.cans, tally.has_rate) == (2, 5, False)


def test_what_neither_ran_nor_was_reported_is_left_out() -> None:
    assert join_counts({"3-7": Found()}, {"3-7": 0, "3-8": 0}) == []


@given(st.dictionaries(st.integers(), found), st.dictionaries(st.integers(), counts))
def test_joining_loses_nothing_and_invents_nothing(
    reported: dict[int, Found], strokes: dict[int, int]
) -> None:
    tallies = join_counts(reported, strokes)
    assert len({tally.key for tally in tallies}) == len(tallies)
    assert sum(t.counted for t in tallies) == sum(one.occurrences for one in reported.values())
    assert sum(t.cans for t in tallies) == sum(one.cans for one in reported.values())
    assert sum(t.exposure for t in tallies) == sum(strokes.values())


def test_pareto_puts_the_most_frequent_first_and_equals_by_cans_then_name() -> None:
    bars = pareto(
        {
            "b": Found(1, 2, 1),
            "a": Found(1, 2, 1),
            "rare": Found(9, 1, 1),
            "costly": Found(7, 2, 1),
            "never": Found(0, 0, 0),
        }
    )
    assert [bar.defect for bar in bars] == ["costly", "a", "b", "rare"]
    assert [bar.cumulative for bar in bars] == pytest.approx([2 / 7, 4 / 7, 6 / 7, 1])


@given(st.dictionaries(st.text(min_size=1), found, min_size=1))
def test_cumulative_shares_rise_to_exactly_one(reported: dict[str, Found]) -> None:
    bars = pareto(reported)
    reached = [bar.cumulative for bar in bars]
    assert reached == sorted(reached)
    assert not bars or reached[-1] == 1.0
    assert math.isclose(sum(bar.share for bar in bars), 1.0) or not bars
    assert [b.occurrences for b in bars] == sorted((b.occurrences for b in bars), reverse=True)


def test_silence_is_not_taken_for_good_cans() -> None:
    assert silence(19) == "no entries in 19 days of running: a silent log, not proof of good cans"
    assert silence(1).startswith("no entries in 1 day of running")


def test_each_kind_of_chart_takes_one_kind_of_evidence() -> None:
    for evidence in Evidence:
        assert kinds_of(evidence)[0] is ChartKind.AUTO
        assert {evidence_of(kind) for kind in kinds_of(evidence)[1:]} == {evidence}
    assert {*kinds_of(Evidence.PRODUCTION), *kinds_of(Evidence.SAMPLES)} == set(ChartKind)


def _drawn(kind: ChartKind, evidence: Evidence, counts: list[int], exposures: list[int]):
    return drawn_chart(kind, evidence, counts, exposures, [True] * len(counts))


STEADY = [9, 11, 10, 12, 8, 10, 9, 11, 10, 10, 12, 8]
WILD = [1, 30, 2, 28, 3, 31, 1, 27, 4, 30, 2, 29]
SHIFTED = [5, 6, 5, 6, 5, 6, 20, 21, 20, 21, 20, 21]


def test_steady_counts_get_the_plain_chart() -> None:
    drawn = _drawn(ChartKind.AUTO, Evidence.PRODUCTION, STEADY, [1_000] * 12)
    assert (drawn.kind, drawn.chart.sigma_z) == (ChartKind.U, None)
    assert _drawn(ChartKind.AUTO, Evidence.SAMPLES, STEADY, [1_000] * 12).kind is ChartKind.P


def test_counts_that_jump_from_point_to_point_get_laneys_correction() -> None:
    drawn = _drawn(ChartKind.AUTO, Evidence.PRODUCTION, WILD, [1_000] * 12)
    assert drawn.kind is ChartKind.LANEY_U
    assert drawn.chart.sigma_z is not None
    assert drawn.chart.sigma_z > 1
    assert "Laney" in drawn.why
    assert _drawn(ChartKind.AUTO, Evidence.SAMPLES, WILD, [1_000] * 12).kind is ChartKind.LANEY_P


def test_a_single_shift_is_shown_and_not_widened_away() -> None:
    drawn = _drawn(ChartKind.AUTO, Evidence.PRODUCTION, SHIFTED, [1_000] * 12)
    assert drawn.kind is ChartKind.U


def test_few_points_never_get_laneys_correction() -> None:
    assert _drawn(ChartKind.AUTO, Evidence.PRODUCTION, WILD[:6], [1_000] * 6).kind is ChartKind.U


@pytest.mark.parametrize(
    ("kind", "evidence", "exposures", "sentence"),
    [
        (ChartKind.P, Evidence.PRODUCTION, [50, 50], "does not take production"),
        (ChartKind.U, Evidence.SAMPLES, [50, 50], "does not take samples"),
        (ChartKind.NP, Evidence.SAMPLES, [50, 60], "samples of one size"),
        (ChartKind.C, Evidence.PRODUCTION, [50, 60], "same strokes at every point"),
        (ChartKind.U, Evidence.PRODUCTION, [0, 0], "no point of the baseline"),
        (ChartKind.LANEY_U, Evidence.PRODUCTION, [50, 0], "at least two points"),
    ],
)
def test_a_chart_that_does_not_suit_says_what_would(
    kind: ChartKind, evidence: Evidence, exposures: list[int], sentence: str
) -> None:
    with pytest.raises(ValueError, match=sentence):
        _drawn(kind, evidence, [1, 2], exposures)


@given(
    st.lists(st.tuples(st.integers(0, 50), st.integers(0, 10_000)), min_size=1, max_size=40),
    st.sampled_from([Evidence.PRODUCTION, Evidence.SAMPLES]),
)
def test_any_evidence_can_be_drawn_and_never_divides_by_zero(
    points: list[tuple[int, int]], evidence: Evidence
) -> None:
    exposures = [exposure for _count, exposure in points]
    if evidence is Evidence.SAMPLES:
        points = [(min(count, exposure), exposure) for count, exposure in points]
    seen = [count for count, _exposure in points]
    if not any(exposures):
        return
    drawn = _drawn(ChartKind.AUTO, evidence, seen, exposures).chart
    for place, exposure in enumerate(exposures):
        assert math.isnan(drawn.statistic[place]) == (exposure == 0)
        assert place not in drawn.outside or exposure > 0


def test_cautions_name_few_points_few_events_and_points_without_strokes() -> None:
    told = chart_cautions(Evidence.PRODUCTION, [0, 1, 3], [10, 10, 0], [True] * 3)
    assert [sentence.split()[0] for sentence in told] == ["only", "fewer", "1"]
    assert chart_cautions(Evidence.PRODUCTION, STEADY, [9] * 12, [True] * 12) == []
