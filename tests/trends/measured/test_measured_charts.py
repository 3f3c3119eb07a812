"""Charts of measured values, from the rows of the database to marked points and capability."""

import math

import numpy as np
import pytest
from sqlalchemy.orm import Session

from tests.published.figures import Check
from tests.support.statements import Statements
from tests.trends.measured.small_measures import chart_of, fact, measure, singles, subgroups
from tests.trends.small_log import ACTOR, WRITTEN_AT, ZONE
from tracelog.errors import TracelogError
from tracelog.trends.measured.rules import MeasuredChart
from tracelog.trends.series.actions import record_baselines
from tracelog.trends.series.facts import BaselineFact


def _rings() -> list[list[float]]:
    rows = Check("A11").rows()
    return [
        [float(row["diameter_mm"]) for row in rows if row["sample"] == str(sample)]
        for sample in range(1, 26)
    ]


def test_the_published_piston_rings_come_out_through_the_door(session: Session) -> None:
    """Montgomery, piston rings (A11 of the published figures): 25 subgroups of 5."""
    check = Check("A11")
    measure(session, subgroups("ring", _rings()))
    ranged = chart_of(session, characteristic="ring", lower="73.95", upper="74.05")
    assert (ranged.kind, len(ranged.points)) == (MeasuredChart.X_BAR_R, 25)
    assert "each subgroup holds 5 values" in ranged.why
    first = ranged.points[0]
    check.meets("grand mean", ranged.centre)
    check.meets("mean range", first.spread_centre)
    check.meets("X-bar limits from R: UCL", first.upper)
    check.meets("X-bar limits from R: LCL", first.lower)
    check.meets("R UCL", first.spread_upper)
    assert ranged.marked == ()
    deviating = chart_of(session, characteristic="ring", chart="x-bar-s").points[0]
    check.meets("mean s", deviating.spread_centre)
    check.meets("X-bar limits from s: UCL", deviating.upper)
    check.meets("X-bar limits from s: LCL", deviating.lower)
    check.meets("s UCL", deviating.spread_upper)
    check.meets("sigma-hat = s-bar/c4", chart_of(session, chart="x-bar-s").sigma)
    check.all_met()


def test_the_capability_of_the_rings_has_intervals_and_what_is_expected(session: Session) -> None:
    """Cp by hand: 0.1 / (6 x 0.0233 / 2.326) from the published mean range."""
    measure(session, subgroups("ring", _rings()))
    view = chart_of(session, characteristic="ring", lower="73.95", upper="74.05").capability
    assert view is not None
    assert view.why_not == ""
    indices = {one.name: one for one in view.indices}
    assert list(indices) == ["Cp", "Cpk", "Pp", "Ppk"]
    rings = np.array(_rings())
    sigma = np.ptp(rings, axis=1).mean() / 2.32593
    assert indices["Cp"].value == pytest.approx(0.1 / (6 * sigma), rel=1e-4)
    assert indices["Pp"].value == pytest.approx(0.1 / (6 * rings.std(ddof=1)))
    for one in indices.values():
        assert one.low is not None
        assert one.value is not None
        assert one.high is not None
        assert one.low < one.value < one.high
    # 125 values by their ranges are worth 90.6 degrees of freedom, so that the interval is wider.
    assert indices["Cp"].high - indices["Cp"].low > indices["Pp"].high - indices["Pp"].low
    assert view.outside == 0
    assert view.outside_high == pytest.approx(1 - 0.025 ** (1 / 125))
    assert view.expected_above == pytest.approx(
        0.5 * math.erfc((74.05 - rings.mean()) / rings.std(ddof=1) / math.sqrt(2))
    )
    assert view.bars.counts.sum() == 125


def test_the_published_flow_rates_are_individuals(session: Session) -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2 (A10): mean 50.81, mean moving range 1.8778."""
    check = Check("A10")
    measure(session, singles("flow", check.column("value").tolist()))
    drawn = chart_of(session, characteristic="flow")
    assert drawn.kind is MeasuredChart.INDIVIDUALS
    check.meets("mean", drawn.centre)
    check.meets("mean moving range", drawn.points[1].spread_centre)
    assert drawn.points[0].spread is None
    assert any("only 10 points set the limits" in note for note in drawn.notes)


def test_a_cusum_finds_the_published_shift(session: Session) -> None:
    """The 20 means of A16 with k 0.3175: the rising sum at 13, 14 and 20, first signal at 14."""
    means = Check("A16").column("mean").tolist()
    # Two values either side of each mean, as far apart as make the published sigma.
    apart = 0.6350 * math.sqrt(2) * 1.12838 / 2
    groups = [[mean - apart, mean + apart] for mean in means]
    measure(session, subgroups("flow", groups))
    drawn = chart_of(session, characteristic="flow", chart="cusum", target="325")
    assert drawn.points[12].value == pytest.approx(3.01, abs=0.01)
    assert drawn.points[13].value == pytest.approx(4.94, abs=0.011)
    assert drawn.points[19].value == pytest.approx(19.06, abs=0.02)
    assert drawn.points[7].fall == pytest.approx(0.71, abs=0.01)


def test_an_ewma_watches_the_target_that_was_said(session: Session) -> None:
    measure(session, singles("flow", [10.0, 10.2, 9.9, 10.1, 10.0, 10.4]))
    drawn = chart_of(session, characteristic="flow", chart="ewma", target="10", rules="nelson-1984")
    assert drawn.centre == 10
    assert drawn.points[1].value == pytest.approx(10.04)
    assert drawn.rules == ()
    assert any("none are looked for" in note for note in drawn.notes)


@pytest.mark.parametrize(
    ("sizes", "kind"),
    [
        ([3] * 6, MeasuredChart.X_BAR_R),
        ([8] * 6, MeasuredChart.X_BAR_R),
        ([9] * 6, MeasuredChart.X_BAR_S),
        ([3, 4, 3, 3, 2, 3], MeasuredChart.X_BAR_S),
        ([1] * 12, MeasuredChart.INDIVIDUALS),
    ],
)
def test_the_chart_follows_from_how_values_were_taken(
    session: Session, sizes: list[int], kind: MeasuredChart
) -> None:
    rng = np.random.default_rng(3)
    measure(session, subgroups("flow", [rng.normal(10, 1, size).tolist() for size in sizes]))
    drawn = chart_of(session, characteristic="flow")
    assert drawn.kind is kind
    assert drawn.why


def test_words_of_subgroups_that_begin_anew_each_day_are_not_one_subgroup(session: Session) -> None:
    facts = [
        fact("flow", 10 + 0.1 * number, 1440 * day + number, subgroup="1")
        for day in range(5)
        for number in range(3)
    ]
    measure(session, facts)
    assert [point.size for point in chart_of(session, characteristic="flow").points] == [3] * 5


def test_points_outside_are_marked_and_capability_then_says_why_not(session: Session) -> None:
    rng = np.random.default_rng(5)
    groups = rng.normal(10, 0.1, (30, 3))
    groups[20] += 1
    measure(session, subgroups("flow", groups.tolist()))
    drawn = chart_of(session, characteristic="flow", lower="9", upper="11.5", rules="nelson-1984")
    marked = drawn.points[20]
    assert marked.is_outside
    assert "Nelson 1984 rule 1" in marked.rules
    assert drawn.capability is not None
    assert drawn.capability.indices == ()
    assert "capability means little" in drawn.capability.why_not
    assert drawn.capability.expected_above is None


def test_a_frozen_baseline_sets_the_limits_of_its_series(session: Session) -> None:
    rng = np.random.default_rng(6)
    groups = np.concatenate([rng.normal(10, 0.1, (24, 3)), rng.normal(10.5, 0.1, (24, 3))])
    measure(session, subgroups("flow", groups.tolist()))
    free = chart_of(session, characteristic="flow", machine="1-1")
    frozen = BaselineFact.read(
        {
            "line": 1,
            "bodymaker": 1,
            "evidence": "measurements",
            "of": "flow",
            "starts_at": "2026-03-23T00:00:00Z",
            "ends_at": "2026-03-24T08:00:00Z",
            "reason": "after the service",
            "frozen_at": "2026-03-30T00:00:00Z",
            "frozen_by": "Kim",
        },
        ZONE,
    )
    record_baselines(session, [frozen], ACTOR, WRITTEN_AT)
    drawn = chart_of(session, characteristic="flow", machine="1-1")
    assert drawn.frozen is not None
    assert drawn.frozen.reason == "after the service"
    assert drawn.centre == pytest.approx(groups[:24].mean())
    assert drawn.centre < free.centre  # type: ignore[operator]
    assert all(point.is_outside for point in drawn.points[24:])
    assert not drawn.points[24].is_baseline
    later = chart_of(session, characteristic="flow", machine="1-1", from_="2026-03-24T10:00Z")
    assert later.centre == drawn.centre
    assert len(later.points) < len(drawn.points)


def test_only_what_was_measured_by_then_is_known(session: Session) -> None:
    measure(session, singles("flow", [1.0, 2.0, 3.0, 4.0]))
    then = chart_of(session, characteristic="flow", as_of="2026-03-23T09:30:00Z")
    assert [point.value for point in then.points] == [1.0, 2.0]


def test_defaults_are_marked_and_the_plants_own_limits_win(session: Session) -> None:
    rng = np.random.default_rng(7)
    measure(session, singles("thin-wall", rng.normal(0.092, 0.0008, 40).tolist()))
    default = chart_of(session, characteristic="thin-wall").limits
    assert (default.lower, default.upper, default.are_defaults) == (0.07, 0.105, True)
    aimed = chart_of(session, characteristic="thin-wall", target="0.092").limits
    assert (aimed.lower, aimed.upper, aimed.are_defaults) == (0.087, 0.097, True)
    own = chart_of(session, characteristic="thin-wall", lower="0.08", upper="none").limits
    assert (own.lower, own.upper, own.are_defaults) == (0.08, None, False)


def test_a_skewed_figure_is_charted_as_logarithms_where_it_can_be(session: Session) -> None:
    rng = np.random.default_rng(8)
    measure(session, singles("enamel-rating", rng.lognormal(0.5, 0.6, 60).tolist(), "mA"))
    drawn = chart_of(session, characteristic="enamel-rating")
    assert (drawn.kind, drawn.is_log) == (MeasuredChart.INDIVIDUALS, True)
    assert drawn.points[0].lower is not None
    assert drawn.points[0].lower > 0
    assert drawn.centre == pytest.approx(
        math.exp(np.mean([math.log(point.value or 0) for point in drawn.points]))
    )
    assert drawn.capability is not None
    assert [one.value is None for one in drawn.capability.indices] == [True, False, True, False]
    plain = chart_of(session, characteristic="enamel-rating", scale="plain")
    assert any("long upper tail" in note for note in plain.notes)


def test_a_reading_of_nothing_has_no_logarithm(session: Session) -> None:
    measure(session, singles("enamel-rating", [0.0, 1.0, 2.0, 1.5], "mA"))
    assert not chart_of(session, characteristic="enamel-rating").is_log
    with pytest.raises(TracelogError, match="no logarithm") as told:
        chart_of(session, characteristic="enamel-rating", scale="log")
    assert told.value.field == "scale"


def test_a_characteristic_that_nobody_knows_is_charted_without_limits(session: Session) -> None:
    measure(session, singles("slip", [1.0, 2.0, 1.5, 1.2] * 6))
    drawn = chart_of(session, characteristic="slip")
    assert not drawn.limits.any
    assert drawn.capability is not None
    assert "no specification limit" in drawn.capability.why_not
    assert any("does not know this characteristic" in note for note in drawn.notes)


def test_other_units_are_left_out_and_told(session: Session) -> None:
    facts = singles("thin-wall", [92.0, 93.0, 92.5], "µm")
    measure(session, [*facts, fact("thin-wall", 0.092, 600)])
    drawn = chart_of(session, characteristic="thin-wall")
    assert drawn.unit == "µm"
    assert not drawn.limits.any
    assert any("1 values in another unit" in note for note in drawn.notes)


@pytest.mark.parametrize(
    ("choices", "field", "words"),
    [
        ({"characteristic": "luck"}, "characteristic", "was never measured here"),
        ({"chart": "pie"}, "chart", "is not one of"),
        ({"chart": "x-bar-r"}, "chart", "no values were taken together"),
        ({"lower": "thin"}, "lower", "or none"),
        ({"lower": "5", "upper": "4"}, "lower", "is not below the upper limit"),
        ({"upper": "0.01"}, "upper", "is not above the lower limit"),
        ({"lower": "1", "upper": "2", "target": "3"}, "target", "between the limits"),
        ({"from_": "x"}, "from", "is not an instant"),
        ({"to": "2020-01-01", "from_": "2021-01-01"}, "to", "is not after from"),
        ({"from_": "2010-01-01"}, "from", "more than five years"),
        ({"machine": "9-9"}, "machine", "there is no line 9"),
        ({"machine": "1-1", "line": "2"}, "machine", "is not on line 2"),
        ({"line": "x"}, "line", "is not a whole number"),
        ({"rules": "all"}, "rules", "is not one of"),
        ({"scale": "odd"}, "scale", "is not one of"),
        ({"baseline_from": "2020-01-01", "baseline_to": "2020-02-01"}, "baseline_from", "no value"),
        ({"as_of": "soon"}, "as_of", "is not an instant"),
        ({"colour": "red"}, "colour", "is not known here"),
    ],
)
def test_a_bad_choice_is_told_at_its_field(
    session: Session, choices: dict[str, str], field: str, words: str
) -> None:
    measure(session, singles("thin-wall", [0.09, 0.091, 0.092]))
    with pytest.raises(TracelogError, match=words) as told:
        chart_of(session, **choices)
    assert [fault.field for fault in told.value.faults] == [field]


@pytest.mark.parametrize("chart", ["individuals", "auto"])
def test_values_that_are_all_alike_have_no_capability(session: Session, chart: str) -> None:
    measure(session, singles("thin-wall", [0.1] * 30))
    drawn = chart_of(session, characteristic="thin-wall", chart=chart, rules="nelson-1984")
    assert drawn.marked == ()
    view = drawn.capability
    assert view is not None
    assert view.indices == ()
    assert "all alike" in view.why_not
    with pytest.raises(TracelogError, match="all alike"):
        chart_of(session, characteristic="thin-wall", chart="cusum")


def test_nothing_measured_is_said_and_not_drawn(session: Session) -> None:
    measure(session, [])
    drawn = chart_of(session, characteristic="dome-depth")
    assert drawn.points == ()
    assert "nothing was measured" in drawn.notes[0]


def test_values_of_several_machines_carry_a_caution(session: Session) -> None:
    rng = np.random.default_rng(9)
    groups = rng.normal(10, 1, (12, 3)).tolist()
    measure(session, [*subgroups("flow", groups), *subgroups("flow", groups, bodymaker=2)])
    assert "come from 2 machines" in chart_of(session, characteristic="flow").notes[0]
    assert len(chart_of(session, characteristic="flow", line="1").points) == 24
    assert len(chart_of(session, characteristic="flow", machine="1-2").points) == 12


def test_the_number_of_statements_is_fixed(session: Session, statements: Statements) -> None:
    rng = np.random.default_rng(10)
    measure(session, subgroups("flow", rng.normal(10, 1, (60, 3)).tolist()))
    counts = []
    for choices in ({"to": "2026-03-23"}, {}):
        with statements.counted() as sent:
            chart_of(session, characteristic="flow", **choices)
        counts.append(len(sent))
    assert counts[0] == counts[1] <= 10
