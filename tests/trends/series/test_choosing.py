"""Which chart rare events get, what its points are, and what run rules find on it."""

import math
from collections import Counter
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trends.small_log import DAYS, MILLION, day, entry, write_log
from tracelog.buckets import Bucket
from tracelog.errors import TracelogError
from tracelog.plant.queries import directory
from tracelog.stats.rare import gaps_chart
from tracelog.trends.charts import chart
from tracelog.trends.questions import ChartQuestion
from tracelog.trends.rules import ChartKind
from tracelog.trends.series.choosing import drawn_between, rules_found
from tracelog.trends.series.rules import RunRules

# Noon of these days, on 1-1 with a million strokes a day.
SEEN = (0, 1, 3, 4, 7, 8, 9)
GAPS = [1, 2, 1, 3, 1, 1]
DAILY = ChartQuestion(day(0), day(DAYS), bucket=Bucket.DAY, defects=("split",))


def _log(session: Session) -> ChartQuestion:
    write_log(session, [entry(index, "1-1", "split", cans=3, occurrences=1) for index in SEEN])
    return replace(DAILY, machine=directory(session).machine_named("1-1"))


def test_rare_events_are_charted_by_the_strokes_between_them(session: Session) -> None:
    drawn = chart(session, _log(session))
    assert drawn.kind is ChartKind.GAPS
    assert "0.7 occurrences a point on average, fewer than 1" in drawn.why
    assert drawn.unit == "strokes"
    # Noon to noon is a million strokes, but for the hour that the clock skips on 29 March.
    for point, days in zip(drawn.points, GAPS, strict=True):
        assert point.value == pytest.approx(days * MILLION, rel=0.03)
        assert point.exposure == point.value
    expected = gaps_chart([point.exposure for point in drawn.points])
    assert drawn.centre == pytest.approx(expected.centre)
    assert drawn.points[0].upper == pytest.approx(expected.upper[0])


def test_each_point_between_entries_names_its_entry(session: Session) -> None:
    drawn = chart(session, _log(session))
    assert [point.end for point in drawn.points] == [
        day(index) + timedelta(hours=12) for index in SEEN[1:]
    ]
    assert len({point.entry for point in drawn.points}) == len(SEEN) - 1
    assert all(point.entry for point in drawn.points)


def test_counts_that_are_not_rare_stay_counts(session: Session) -> None:
    asked = _log(session)
    weekly = chart(session, replace(asked, bucket=Bucket.WEEK))
    assert weekly.kind is ChartKind.U
    assert "occurrences a point on average" in weekly.why


def test_too_few_gaps_leave_the_chart_of_counts(session: Session) -> None:
    write_log(session, [entry(index, "1-1", "split") for index in (0, 4)])
    drawn = chart(session, DAILY)
    assert drawn.kind is ChartKind.U
    assert any("choose a longer bucket" in note for note in drawn.notes)
    assert any("5 to 500 gaps in the baseline" in note for note in drawn.notes)


def test_whoever_chooses_another_chart_gets_it(session: Session) -> None:
    asked = _log(session)
    for kind in (ChartKind.U, ChartKind.GAPS_POWER, ChartKind.G):
        drawn = chart(session, replace(asked, kind=kind))
        assert (drawn.kind, drawn.why) == (kind, "chosen by you")
    plain = chart(session, replace(asked, kind=ChartKind.GAPS_POWER)).points
    assert [point.value for point in plain] == [point.exposure for point in plain]


def test_gaps_without_any_entry_are_refused_at_the_chart(session: Session) -> None:
    write_log(session, [])
    with pytest.raises(TracelogError, match="no two entries") as told:
        chart(session, replace(DAILY, kind=ChartKind.GAPS))
    assert told.value.field == "chart"


def test_what_was_logged_later_is_no_point_before(session: Session) -> None:
    asked = replace(_log(session), kind=ChartKind.GAPS, as_of=day(5))
    assert [point.end for point in chart(session, asked).points] == [
        day(index) + timedelta(hours=12) for index in SEEN[1:4]
    ]


@given(
    st.lists(st.integers(0, 10**7), min_size=2, max_size=60),
    st.sampled_from([ChartKind.GAPS, ChartKind.GAPS_POWER, ChartKind.G]),
)
def test_any_gaps_can_be_drawn_in_strokes(gaps: list[int], kind: ChartKind) -> None:
    if not any(gaps):
        return
    drawn = drawn_between(kind, gaps, [True] * len(gaps), 0.5).chart
    assert list(drawn.statistic) == gaps
    for place, gap in enumerate(gaps):
        lower, upper = float(drawn.lower[place]), float(drawn.upper[place])
        assert 0 <= lower <= drawn.centre <= upper
        assert math.isfinite(upper)
        # The power transform keeps the order, so what is outside in strokes was so before.
        if lower * (1 + 1e-6) < gap < upper * (1 - 1e-6):
            assert place not in drawn.outside


def test_run_rules_are_looked_for_only_when_chosen() -> None:
    drawn = drawn_between(ChartKind.GAPS, [100] * 9 + [10_000], [True] * 10, 0.5).chart
    assert rules_found(RunRules.NONE, drawn) == ()
    found = rules_found(RunRules.WESTERN_ELECTRIC, drawn)
    assert [one.name for one in found] == [f"Western Electric 1956 rule {n}" for n in (1, 2, 3, 4)]
    assert found[3].places == (7, 8)
    assert len(rules_found(RunRules.NELSON, drawn)) == 8


def test_points_of_a_baseline_elsewhere_complete_no_pattern() -> None:
    drawn = drawn_between(ChartKind.GAPS, [100] * 9 + [10_000], [True] * 10, 0.5).chart
    found = rules_found(RunRules.WESTERN_ELECTRIC, drawn, first=4)
    assert found[3].places == ()


def test_no_question_is_asked_again_and_again(session: Session, statements: Statements) -> None:
    asked = replace(_log(session), start=day(5), baseline=(day(0), day(5)))
    with statements.counted() as sent:
        drawn = chart(session, replace(asked, kind=ChartKind.GAPS))
    assert [point.number for point in drawn.points] == [1, 2]
    assert len(sent) <= 50, Counter(sent).most_common(3)
