from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trends.small_log import DAYS, MILLION, day, entry, write_log
from tracelog.buckets import Bucket
from tracelog.errors import TracelogError
from tracelog.plant.queries import directory
from tracelog.stats.intervals import binomial_interval, rate_interval
from tracelog.stats.shrinkage import gamma_poisson
from tracelog.trends.answers import RateRow, Rates, rates_answer
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rates import pareto_of, rates
from tracelog.trends.rules import By, Evidence

ALL = RateQuestion(day(0), day(DAYS))


def _log(session: Session) -> None:
    write_log(
        session,
        [
            entry(1, "1-1", "split", cans=60, occurrences=1),
            entry(2, "1-1", "split", cans=3),
            entry(3, "1-2", "split", cans=2),
            entry(3, "1-2", "wrinkle", cans=7),
            entry(4, "2-1", "split", cans=5),
            entry(5, "1-?", "split", cans=1),
            entry(6, None, "wrinkle", cans=1),
            entry(6, "1-1", "split", cans=2, inspected=100),
            entry(7, "1-1", "split", cans=0, inspected=300),
            entry(7, "1-2", "wrinkle", cans=1, inspected=50),
        ],
    )


def _rows(answer: Rates) -> dict[str, RateRow]:
    return {row.name: row for row in answer.rows}


def test_production_counts_occurrences_per_million_strokes(session: Session) -> None:
    _log(session)
    answer = rates(session, replace(ALL, defects=("split",)))
    rows = _rows(answer)
    first = rows["1-1"]
    assert (first.occurrences, first.cans, first.exposure) == (4, 63, 10 * MILLION)
    exact = rate_interval(4.0, 10.0 * MILLION)
    assert (first.per_million, first.low, first.high) == pytest.approx((0.4, exact.low, exact.high))
    assert rows["1-2"].per_million == pytest.approx(0.1)


def test_a_machine_that_ran_without_entries_has_rate_zero_and_an_upper_limit(
    session: Session,
) -> None:
    _log(session)
    quiet = _rows(rates(session, replace(ALL, defects=("split",))))["1-3"]
    assert (quiet.per_million, quiet.low) == (0.0, 0.0)
    assert quiet.high == pytest.approx(3.689 / 10, abs=1e-3)
    assert quiet.note == ("no entries in 10 days of running: a silent log, not proof of good cans")


def test_a_machine_that_was_looked_at_is_not_called_silent(session: Session) -> None:
    _log(session)
    rows = _rows(rates(session, replace(ALL, defects=("scratch",))))
    assert rows["1-1"].note is None
    assert rows["1-2"].note is None
    assert rows["1-3"].note is not None


def test_entries_without_strokes_are_shown_without_a_rate(session: Session) -> None:
    _log(session)
    row = _rows(rates(session, ALL))["2-1"]
    assert (row.occurrences, row.exposure) == (5, 0)
    assert (row.per_million, row.low, row.high, row.probability_worst) == (None,) * 4
    assert row.note == "entries, but no strokes on record: no rate"


def test_what_nobody_can_place_is_told_and_counts_for_no_machine(session: Session) -> None:
    _log(session)
    answer = rates(session, ALL)
    assert (answer.unsettled.entries, answer.unsettled.cans) == (2, 2)
    assert "2 entries" in answer.notes[0]
    # A line can be read where the machine cannot.
    by_line = rates(session, replace(ALL, by=By.LINE))
    assert by_line.unsettled.entries == 1
    assert [(row.line, row.occurrences) for row in by_line.rows] == [(1, 14), (2, 5)]


def test_every_way_to_tell_apart_counts_the_same_entries(session: Session) -> None:
    _log(session)
    # This plant has no shifts, and so no crews.
    for by in set(By) - {By.SHIFT, By.CREW}:
        answer = rates(session, replace(ALL, by=by))
        assert answer.together.occurrences + answer.unsettled.occurrences == 20
        assert answer.together.exposure == 40 * MILLION


def test_samples_are_bad_cans_per_inspected_and_never_mixed(session: Session) -> None:
    _log(session)
    asked = replace(ALL, defects=("split",), evidence=Evidence.SAMPLES)
    [row] = rates(session, asked).rows
    assert (row.name, row.cans, row.exposure, row.entries) == ("1-1", 2, 400, 2)
    exact = binomial_interval(2.0, 400.0)
    assert row.per_million == pytest.approx(5_000)
    assert (row.low, row.high) == pytest.approx((1e6 * exact.low, 1e6 * exact.high))
    assert (row.shrunk, row.probability_worst) == (None, None)


def test_samples_of_several_kinds_at_once_are_refused_at_the_defect(session: Session) -> None:
    _log(session)
    for kinds in ((), ("split", "wrinkle")):
        with pytest.raises(TracelogError, match="one kind of defect") as told:
            rates(session, replace(ALL, defects=kinds, evidence=Evidence.SAMPLES))
        assert told.value.field == "defect"
    apart = rates(session, replace(ALL, by=By.DEFECT, evidence=Evidence.SAMPLES))
    assert [(row.name, row.exposure) for row in apart.rows] == [("split", 400), ("wrinkle", 50)]


def test_machines_are_seen_together_by_the_gamma_poisson_model(session: Session) -> None:
    _log(session)
    rows = [row for row in rates(session, ALL).rows if row.exposure]
    model = gamma_poisson([row.occurrences for row in rows], [row.exposure for row in rows])
    assert [row.shrunk for row in rows] == pytest.approx([1e6 * rate for rate in model.rates])
    worst = [row.probability_worst for row in rows]
    assert worst == pytest.approx(list(model.probability_worst))
    assert sum(value or 0 for value in worst) == pytest.approx(1)
    plain = rates(session, replace(ALL, shrink=False))
    assert {row.shrunk for row in plain.rows} == {None}


@pytest.mark.parametrize("bucket", [Bucket.DAY, Bucket.WEEK, Bucket.HOUR])
def test_buckets_add_up_to_the_whole(session: Session, bucket: Bucket) -> None:
    _log(session)
    whole = _rows(rates(session, ALL))
    rows = rates(session, replace(ALL, bucket=bucket)).rows
    assert rows[0].start == day(0)
    assert all(row.start < row.end <= ALL.end for row in rows)
    for name in ("1-1", "1-2", "1-3"):
        mine = [row for row in rows if row.name == name]
        assert sum(row.occurrences for row in mine) == whole[name].occurrences
        assert sum(row.exposure for row in mine) == whole[name].exposure


def test_too_many_rows_are_refused_at_the_bucket(session: Session) -> None:
    _log(session)
    long = replace(ALL, start=ALL.end - timedelta(days=1500), bucket=Bucket.HOUR)
    with pytest.raises(TracelogError, match="choose a longer bucket") as told:
        rates(session, long)
    assert told.value.field == "bucket"


def test_as_of_counts_only_what_was_known_by_then(session: Session) -> None:
    _log(session)
    late = entry(3, "1-1", "split", cans=9, logged_at=day(8))
    write_log(session, [late])
    asked = replace(ALL, defects=("split",))
    assert _rows(rates(session, asked))["1-1"].occurrences == 13
    known = _rows(rates(session, replace(asked, as_of=day(5))))["1-1"]
    assert (known.occurrences, known.exposure) == (4, 5 * MILLION)


def test_a_period_without_anything_says_so(session: Session) -> None:
    _log(session)
    empty = rates(session, replace(ALL, start=day(-30), end=day(-20)))
    assert empty.rows == ()
    assert empty.together.per_million is None
    assert empty.notes == ("nothing was made or reported in this period",)


def test_line_and_machine_narrow_counts_and_strokes_alike(session: Session) -> None:
    _log(session)
    assert [row.name for row in rates(session, replace(ALL, line=2)).rows] == ["2-1"]
    machine = directory(session).machine_named("1-2")
    [row] = rates(session, replace(ALL, machine=machine)).rows
    assert (row.name, row.occurrences, row.exposure) == ("1-2", 9, 20 * MILLION)
    by_defect = rates(session, replace(ALL, machine=machine, by=By.DEFECT))
    assert [(row.name, row.occurrences, row.exposure) for row in by_defect.rows] == [
        ("split", 2, 20 * MILLION),
        ("wrinkle", 7, 20 * MILLION),
    ]


def test_a_kind_asked_for_and_never_reported_has_a_row(session: Session) -> None:
    _log(session)
    [row] = rates(session, replace(ALL, by=By.DEFECT, defects=("scratch",))).rows
    assert (row.name, row.occurrences, row.exposure) == ("scratch", 0, 40 * MILLION)


def test_pareto_takes_every_kind_in_order(session: Session) -> None:
    _log(session)
    answer = pareto_of(session, replace(ALL, defects=("scratch",), evidence=Evidence.SAMPLES))
    assert [(bar.defect, bar.occurrences) for bar in answer.bars] == [("split", 12), ("wrinkle", 8)]
    assert answer.bars[-1].cumulative == 1.0
    assert answer.strokes == 40 * MILLION


def test_the_answer_has_the_documented_keys(session: Session) -> None:
    _log(session)
    answer = rates_answer(rates(session, replace(ALL, defects=("split",))))
    documented = {"machine", "cans", "strokes", "per_million", "low", "high", "shrunk"}
    for row in answer["rates"]:
        assert {*documented, "probability_worst"} <= set(row)
    assert answer["defect"] == "split"
    assert answer["rates"][0]["inspected"] is None


def test_the_number_of_statements_does_not_grow_with_what_is_asked(
    plant_session: Session, plant_statements: Statements
) -> None:
    end = day(100)
    sent = []
    for days, bucket in ((1, None), (28, None), (1, Bucket.DAY), (28, Bucket.DAY)):
        asked = RateQuestion(end - timedelta(days=days), end, bucket=bucket)
        with plant_statements.counted() as texts:
            rates(plant_session, asked)
        sent.append(len(texts))
    assert sent[2] == sent[3] <= 25
    # Silent machines, where there are any, cost the same however many they are.
    assert max(sent) <= 45, sent
