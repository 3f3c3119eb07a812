from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trends.small_log import DAYS, MILLION, day, entry, write_log
from tracelog.buckets import Bucket
from tracelog.errors import TracelogError
from tracelog.plant.queries import directory
from tracelog.stats.attributes import p_chart, u_chart
from tracelog.trends.answers import chart_answer
from tracelog.trends.charts import chart
from tracelog.trends.questions import ChartQuestion
from tracelog.trends.rules import ChartKind, Evidence

COUNTS = [1, 2, 0, 1, 14, 2, 1, 0, 3, 1]
SAMPLES = [(2, 50), (3, 60), (0, 40), (30, 50), (4, 50)]
DAILY = ChartQuestion(day(0), day(DAYS), kind=ChartKind.U, bucket=Bucket.DAY, defects=("split",))
SAMPLED = replace(DAILY, kind=ChartKind.P, bucket=None, evidence=Evidence.SAMPLES)


def _log(session: Session) -> None:
    entries = [
        entry(index, "1-1", "split", cans=count) for index, count in enumerate(COUNTS) if count
    ]
    entries += [
        entry(index, "1-2", "split", cans=bad, inspected=size)
        for index, (bad, size) in enumerate(SAMPLES)
    ]
    write_log(session, entries)


def test_a_u_chart_has_a_point_for_every_day_also_those_without_entries(session: Session) -> None:
    _log(session)
    machine = directory(session).machine_named("1-1")
    drawn = chart(session, replace(DAILY, machine=machine))
    expected = u_chart(COUNTS, [MILLION] * DAYS)
    assert [point.count for point in drawn.points] == COUNTS
    assert [point.start for point in drawn.points] == [day(index) for index in range(DAYS)]
    assert drawn.centre == pytest.approx(expected.centre * 1e6)
    assert drawn.points[0].upper == pytest.approx(expected.upper[0] * 1e6)
    assert drawn.outside == (5,)
    assert (drawn.unit, drawn.kind) == ("per million strokes", ChartKind.U)


def test_a_chart_of_the_plant_counts_all_strokes(session: Session) -> None:
    _log(session)
    drawn = chart(session, DAILY)
    assert {point.exposure for point in drawn.points} == {4 * MILLION}
    assert sum(point.count for point in drawn.points) == sum(COUNTS)


def test_a_p_chart_has_a_point_for_every_sample(session: Session) -> None:
    _log(session)
    drawn = chart(session, SAMPLED)
    expected = p_chart([bad for bad, _size in SAMPLES], [size for _bad, size in SAMPLES])
    assert [(point.count, point.exposure) for point in drawn.points] == SAMPLES
    assert drawn.centre == pytest.approx(expected.centre)
    assert drawn.outside == (4,)
    assert drawn.unit == "fraction"


def test_samples_of_one_bucket_are_one_point(session: Session) -> None:
    _log(session)
    drawn = chart(session, replace(SAMPLED, bucket=Bucket.WEEK))
    assert [(point.count, point.exposure) for point in drawn.points] == [(39, 250)]


def test_a_baseline_sets_the_limits_for_all_points(session: Session) -> None:
    _log(session)
    machine = directory(session).machine_named("1-1")
    asked = replace(DAILY, machine=machine, baseline=(day(0), day(4)))
    drawn = chart(session, asked)
    assert drawn.centre == pytest.approx(1.0)
    assert [point.is_baseline for point in drawn.points] == [True] * 4 + [False] * 6
    without = chart(session, replace(asked, baseline=None, exclude=(day(4),)))
    assert without.centre == pytest.approx(11 / 9)
    assert without.outside == (5,)


def test_a_baseline_of_nothing_is_refused_at_its_field(session: Session) -> None:
    _log(session)
    with pytest.raises(TracelogError, match="choose a longer baseline") as told:
        chart(session, replace(DAILY, baseline=(day(-9), day(-5))))
    assert told.value.field == "baseline_from"


def test_a_chart_that_does_not_suit_is_refused_at_its_field(session: Session) -> None:
    _log(session)
    with pytest.raises(TracelogError, match="samples of one size") as told:
        chart(session, replace(SAMPLED, kind=ChartKind.NP))
    assert told.value.field == "chart"


def test_too_many_points_are_refused_at_the_bucket(session: Session) -> None:
    _log(session)
    asked = replace(DAILY, start=day(-200), bucket=Bucket.HOUR)
    with pytest.raises(TracelogError, match="longer bucket") as told:
        chart(session, asked)
    assert told.value.field == "bucket"


def test_days_without_evidence_at_the_ends_are_not_drawn(session: Session) -> None:
    _log(session)
    drawn = chart(session, replace(DAILY, start=day(-5), end=day(DAYS + 5)))
    assert (drawn.points[0].start, drawn.points[-1].end) == (day(0), day(DAYS))


def test_a_chart_of_nothing_says_what_is_missing(session: Session) -> None:
    _log(session)
    line_2 = chart(session, replace(DAILY, line=2))
    assert line_2.points == ()
    assert "no strokes are on record" in line_2.notes[0]
    samples = chart(session, replace(SAMPLED, line=2))
    assert "no sample is on record" in samples.notes[0]


def test_an_edge_inside_a_day_cuts_its_point(session: Session) -> None:
    _log(session)
    start = day(1) + timedelta(hours=6)
    drawn = chart(session, replace(DAILY, start=start))
    assert drawn.points[0].start == start
    assert drawn.points[0].exposure == 3 * MILLION


def test_the_answer_numbers_points_from_one(session: Session) -> None:
    _log(session)
    answer = chart_answer(chart(session, replace(SAMPLED, kind=ChartKind.AUTO)))
    assert answer["outside"] == [4]
    assert [point["number"] for point in answer["points"]] == [1, 2, 3, 4, 5]
    assert [point["outside"] for point in answer["points"]].index(True) == 3


def test_the_number_of_statements_is_fixed(session: Session, statements: Statements) -> None:
    _log(session)
    sent = []
    for asked in (replace(DAILY, end=day(1)), DAILY, replace(DAILY, bucket=Bucket.HOUR)):
        with statements.counted() as texts:
            chart(session, asked)
        sent.append(len(texts))
    # Days are counted from tallies too, hours from the entries alone.
    assert sent[0] == sent[1] <= 25
    assert sent[2] <= sent[0]
