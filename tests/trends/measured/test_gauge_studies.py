"""Gauge studies: recorded through every door, and worked out as published."""

import csv
import io
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.published.figures import Check
from tests.support.site import Cast, Visit
from tests.trends.small_log import ACTOR, WRITTEN_AT, ZONE
from tracelog.audit import AuditRecord
from tracelog.errors import BadFact, NotFound, TracelogError
from tracelog.outcomes import Became
from tracelog.trends.measured.actions import record_gauge_readings
from tracelog.trends.measured.facts import GaugeReadingFact
from tracelog.trends.measured.gauge_studies import StudyQuestion, study_answer
from tracelog.trends.measured.limits import LimitWish
from tracelog.trends.measured.pasted import COLUMNS, MOST_TOLD, read_pasted
from tracelog.trends.measured.queries import gauge_studies
from tracelog.trends.models import GaugeReading

PAGE = "/trends/gauge"


def _reading(**more: Any) -> GaugeReadingFact:
    values = {
        "study": "impedance",
        "characteristic": "thermal",
        "unit": "C/W",
        "part": "1",
        "appraiser": "Kim",
        "trial": 1,
        "value": 37,
        "measured_at": "2026-03-24T08:00:00Z",
    }
    return GaugeReadingFact.read(values | more, ZONE)


def _published() -> list[GaugeReadingFact]:
    return [
        _reading(
            part=row["part"],
            appraiser=f"appraiser {row['operator']}",
            trial=row["trial"],
            value=row["value"],
        )
        for row in Check("A36").rows()
    ]


def _pasted(between: str = "\t", head: bool = True) -> str:
    rows = [
        (
            *("impedance", "thermal", "C/W", row["part"], f"appraiser {row['operator']}"),
            *(row["trial"], row["value"], "2026-03-24 08:00"),
        )
        for row in Check("A36").rows()
    ]
    return "\n".join(between.join(row) for row in ([COLUMNS, *rows] if head else rows))


def _record(session: Session, facts: list[GaugeReadingFact]) -> None:
    for outcome in record_gauge_readings(session, facts, ACTOR, WRITTEN_AT):
        assert outcome.is_kept, outcome
    session.flush()


def test_the_published_study_comes_out_through_the_door(session: Session) -> None:
    """Montgomery, thermal impedances (A36 of the published figures)."""
    check = Check("A36")
    _record(session, _published())
    limits = (LimitWish(18, is_said=True), LimitWish(58, is_said=True))
    answer = study_answer(session, StudyQuestion("impedance", None, *limits))
    result = answer.result
    assert result is not None
    table = {row.source: row for row in result.table}
    parts = {one.name: one for one in result.components}
    check.meets("SS parts", table["parts"].sum_of_squares)
    check.meets("SS operators", table["operators"].sum_of_squares)
    check.meets("SS interaction", table["interaction"].sum_of_squares)
    check.meets("SS error", table["error"].sum_of_squares)
    check.meets("SS total", table["total"].sum_of_squares)
    check.meets("variance parts", parts["parts"].variance)
    check.meets("variance operators", parts["appraisers"].variance)
    check.meets("variance interaction", parts["interaction"].variance)
    check.meets("variance repeatability", parts["repeatability"].variance)
    check.meets("gauge variance", parts["gauge"].variance)
    check.meets("gauge sigma", parts["gauge"].sigma)
    check.meets("gauge % of total study variation", parts["gauge"].percent_of_study)
    check.all_met()
    # Six sigmas of 1.343 over a tolerance of 40: 20.1 %, and 1.41 x 6.949 / 1.343 is 7.3.
    assert parts["gauge"].percent_of_tolerance == pytest.approx(20.15, abs=0.01)
    assert result.categories == 7
    assert not result.pooled
    assert "is kept" in result.pooled_because
    shares = [parts[name].variance_share for name in ("gauge", "parts")]
    assert sum(shares) == pytest.approx(1)
    assert parts["total"].percent_of_study == pytest.approx(100)


def test_an_interaction_that_nothing_speaks_for_is_pooled(session: Session) -> None:
    facts = [
        _reading(part=str(part), appraiser=who, trial=trial, value=10 * part + shift + 0.1 * trial)
        for part in range(1, 6)
        for who, shift in (("Kim", 0.0), ("Noa", 0.05))
        for trial in (1, 2)
    ]
    _record(session, facts)
    result = study_answer(session, StudyQuestion("impedance")).result
    assert result is not None
    assert result.pooled
    assert "is pooled" in result.pooled_because
    assert [row.source for row in result.table] == ["parts", "operators", "error", "total"]
    assert [row.freedom for row in result.table] == [4, 1, 14, 19]
    assert "interaction" not in {one.name for one in result.components}
    assert any("5 parts and 2 appraisers are few" in sentence for sentence in result.says)


@pytest.mark.parametrize(
    ("left_out", "sentence"),
    [
        (lambda fact: fact.part != "1", "too few"),
        (lambda fact: fact.trial > 1, "at least twice"),
        (
            lambda fact: (fact.part, fact.appraiser, fact.trial) == ("7", "appraiser 2", 3),
            "part 7 has 2 readings by appraiser 2, not 3",
        ),
    ],
)
def test_a_study_that_is_not_crossed_and_even_says_so(
    session: Session, left_out: Any, sentence: str
) -> None:
    _record(session, [fact for fact in _published() if not left_out(fact)])
    answer = study_answer(session, StudyQuestion("impedance"))
    assert answer.result is None
    assert sentence in answer.why_not


def test_readings_in_two_units_make_no_study(session: Session) -> None:
    _record(session, [*_published(), _reading(part="11", unit="K/W")])
    assert "several units" in study_answer(session, StudyQuestion("impedance")).why_not


def test_only_readings_taken_by_then_are_known(session: Session) -> None:
    later = [_reading(part="12", measured_at="2026-03-30T08:00:00Z")]
    _record(session, [*_published(), *later])
    then = _reading(measured_at="2026-03-25T00:00:00Z").measured_at
    assert len(study_answer(session, StudyQuestion("impedance", as_of=then)).readings) == 90
    (listed,) = gauge_studies(session, then)
    assert (listed.readings, listed.parts, listed.appraisers) == (90, 10, 3)


def test_a_study_or_characteristic_that_nobody_recorded_is_not_found(session: Session) -> None:
    _record(session, _published())
    with pytest.raises(NotFound, match="there is no gauge study 'luck'"):
        study_answer(session, StudyQuestion("luck"))
    with pytest.raises(NotFound, match="it has thermal"):
        study_answer(session, StudyQuestion("impedance", "luck"))


def test_recording_leaves_one_audit_record_and_the_same_twice_changes_nothing(
    session: Session,
) -> None:
    def records() -> int:
        return session.scalar(select(func.count()).select_from(AuditRecord)) or 0

    before = records()
    _record(session, _published())
    assert records() == before + 1
    again = record_gauge_readings(session, _published(), ACTOR, WRITTEN_AT)
    assert {outcome.became for outcome in again} == {Became.UNCHANGED}
    assert records() == before + 1
    (other,) = record_gauge_readings(
        session, [_published()[0].model_copy(update={"value": 99.0})], ACTOR, WRITTEN_AT
    )
    assert other.became is Became.REFUSED
    assert other.faults[0].field == "value"
    assert session.scalar(select(func.count()).select_from(GaugeReading)) == 90


@pytest.mark.parametrize("between", ["\t", ";", ","])
@pytest.mark.parametrize("head", [True, False])
def test_a_pasted_table_is_read_however_it_is_parted(between: str, head: bool) -> None:
    facts = read_pasted(_pasted(between, head), ZONE)
    assert len(facts) == 90
    assert {fact.appraiser for fact in facts} == {"appraiser 1", "appraiser 2", "appraiser 3"}
    # Plant time: Madrid is an hour ahead in March.
    assert facts[0].measured_at.hour == 7


@pytest.mark.parametrize(
    ("text", "sentences"),
    [
        ("", ["are missing"]),
        (",".join(COLUMNS), ["nothing below it"]),
        ("study,value,colour\na,1,red", ["a column 'colour' that is not known"]),
        ("study,value,value\na,1,1", ["a column 'value' that is not known or stands twice"]),
        (
            "a,t,mm,1,Kim,first,1,2026-03-24 08:00\na,t,mm,1,Kim,2,thin,yesterday",
            ["line 1, trial: 'first'", "line 2, value: 'thin'", "line 2, measured_at: 'yesterday'"],
        ),
        (
            "a,t,mm,1,Kim,1,1,2026-03-24 08:00\na,t,mm,1,Kim,1,2,2026-03-24 08:00",
            ["line 2 is the same part, appraiser and trial as line 1"],
        ),
        (
            "a,t,mm,1,Kim,1,1,2026-03-24 08:00\na,t,in,2,Kim,1,2,2026-03-24 08:00",
            ["of one characteristic in one unit; here it has t in, t mm"],
        ),
        ("a,t,mm,1,Kim,1,1,2026-03-24 08:00,more", ["line 1 has 9 columns, not 8"]),
    ],
)
def test_every_wrong_row_gets_its_sentence(text: str, sentences: list[str]) -> None:
    with pytest.raises(BadFact) as told:
        read_pasted(text, ZONE)
    assert {fault.field for fault in told.value.faults} == {"rows"}
    for sentence, fault in zip(sentences, told.value.faults, strict=True):
        assert sentence in fault.sentence


def test_a_table_of_nonsense_is_told_in_few_sentences() -> None:
    with pytest.raises(BadFact) as told:
        read_pasted("a,b\n" * 100, ZONE)
    assert len(told.value.faults) == MOST_TOLD + 1
    assert "more" in told.value.faults[-1].sentence


def test_limits_that_contradict_each_other_are_told(session: Session) -> None:
    _record(session, _published())
    wrong = (LimitWish(5, is_said=True), LimitWish(4, is_said=True))
    with pytest.raises(TracelogError, match="is not below the upper limit"):
        study_answer(session, StudyQuestion("impedance", None, *wrong))


@pytest.fixture
def quality(visit: Visit, cast: Cast) -> Visit:
    """A visitor signed in as quality."""
    cast.sign_in(visit, "quality")
    return visit


@pytest.mark.small_plant
def test_a_study_is_pasted_kept_and_looked_at(quality: Visit) -> None:
    assert "No gauge study is on record" in quality.get(PAGE).text
    answer = quality.post(PAGE, rows=_pasted())
    assert answer.status_code == 303
    page = quality.get(answer.headers["Location"])
    assert "90 readings are kept; 0 were there already." in page.text
    assert "The gauge takes 19.0 % of the study&#39;s spread" in page.text
    assert page.text.count('<svg class="gauge-mark" x=') == 90
    listed = quality.get(PAGE).text
    assert "/trends/gauge/study?study=impedance&amp;characteristic=thermal" in listed
    again = quality.post(PAGE, rows=_pasted(","))
    assert (
        "0 readings are kept; 90 were there already." in quality.get(again.headers["Location"]).text
    )
    told = quality.get(f"{PAGE}/study.csv?study=impedance&lower=18&upper=58")
    rows = list(csv.DictReader(io.StringIO(told.text, newline="")))
    assert rows[0]["component"] == "gauge"
    assert float(rows[0]["percent_of_tolerance"]) == pytest.approx(20.15, abs=0.01)
    assert quality.get(f"{PAGE}/study.xlsx?study=impedance").data[:2] == b"PK"


@pytest.mark.small_plant
def test_a_study_can_be_uploaded_as_a_file(quality: Visit) -> None:
    quality.get(PAGE)
    answer = quality.post(PAGE, rows="", file=(io.BytesIO(_pasted(",").encode()), "study.csv"))
    assert answer.status_code == 303
    quality.get(PAGE)
    both = quality.post(PAGE, rows="a,b", file=(io.BytesIO(b"a,b"), "study.csv"))
    assert "send one of them" in both.text
    binary = quality.post(PAGE, rows="", file=(io.BytesIO(b"\xff\xfe\x00"), "study.csv"))
    assert "is not text in UTF-8" in binary.text


@pytest.mark.small_plant
def test_bad_rows_keep_nothing_and_stay_in_the_form(quality: Visit) -> None:
    quality.get(PAGE)
    rows = f"{_pasted()}\nimpedance\tthermal\tC/W\t11\tKim\tx\t1\t2026-03-24 08:00"
    answer = quality.post(PAGE, rows=rows)
    assert answer.status_code == 422
    assert "line 92, trial" in answer.text
    assert "appraiser 3" in answer.text
    assert "No gauge study is on record" in quality.get(PAGE).text
    quality.post(PAGE, rows=_pasted())
    quality.get(PAGE)
    other = quality.post(PAGE, rows="impedance,thermal,C/W,1,appraiser 1,1,99,2026-03-24 08:00")
    assert other.status_code == 422
    assert "part 1, appraiser 1, trial 1" in other.text


@pytest.mark.small_plant
def test_wrong_limits_and_unknown_studies_are_told_on_the_page(quality: Visit) -> None:
    quality.get(PAGE)
    quality.post(PAGE, rows=_pasted())
    wrong = quality.get(f"{PAGE}/study?study=impedance&lower=5&upper=4")
    assert wrong.status_code == 400
    assert "is not below the upper limit" in wrong.text
    assert quality.get(f"{PAGE}/study?study=luck").status_code == 404
    assert quality.get(f"{PAGE}/study").status_code == 404
    assert quality.get(f"{PAGE}/study.exe?study=impedance").status_code == 404


@pytest.mark.small_plant
def test_the_api_takes_and_tells_studies(quality: Visit) -> None:
    quality.get(PAGE)
    quality.post(PAGE, rows=_pasted())
    (listed,) = quality.get("/api/v1/gauge-studies").get_json()["studies"]
    assert (listed["study"], listed["parts"], listed["readings"]) == ("impedance", 10, 90)
    told = quality.get("/api/v1/gauge-studies/impedance?lower=18&upper=58").get_json()
    assert told["categories"] == 7
    assert told["components"][0]["percent_of_study"] == pytest.approx(18.97, abs=0.05)
    assert quality.get("/api/v1/gauge-studies/luck").status_code == 404
    assert quality.get("/api/v1/gauge-studies/impedance?lower=x").status_code == 400
    # Nothing was kept before the first of them.
    early = quality.get("/api/v1/gauge-studies?as_of=2026-03-01T00:00:00Z").get_json()
    assert early == {"studies": []}


@pytest.mark.small_plant
def test_everybody_who_may_measure_sees_the_form(visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "operator")
    assert "Keep these readings" in visit.get(PAGE).text
