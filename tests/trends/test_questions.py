from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.buckets import Bucket
from tracelog.db import new_id
from tracelog.errors import BadFact
from tracelog.plant.queries import Directory, MachineView
from tracelog.trends.questions import (
    CHART_FIELDS,
    RATE_FIELDS,
    Known,
    read_chart_question,
    read_rate_question,
)
from tracelog.trends.rules import By, ChartKind, Evidence

ZONE = ZoneInfo("Europe/Madrid")
LINES = {1: new_id(), 2: new_id()}
MACHINES = {
    (line, "bodymaker", number): MachineView(
        new_id(), LINES[line], line, "bodymaker", number, None, None, None
    )
    for line in LINES
    for number in (1, 2)
}
PLACES = Directory(LINES, {1: "Line 1", 2: "Line 2"}, MACHINES)
LATEST = datetime(2026, 3, 31, 14, 30, tzinfo=UTC)
KNOWN = Known(ZONE, PLACES, ("split", "wrinkle"), LATEST, datetime(2026, 6, 1, tzinfo=UTC))
# Midnight in Madrid, after and before the clock is put forward on 29 March.
APRIL = datetime(2026, 3, 31, 22, tzinfo=UTC)
MARCH = datetime(2026, 2, 28, 23, tzinfo=UTC)


def _faults(values: dict[str, list[str]], read=read_rate_question) -> dict[str, str]:
    with pytest.raises(BadFact) as told:
        read(values, KNOWN)
    assert told.value.status == 400
    return {fault.field: fault.sentence for fault in told.value.faults}


def test_without_choices_the_last_28_days_of_data_are_asked_for() -> None:
    asked = read_rate_question({}, KNOWN)
    # The clock is put forward on 29 March: 28 days of it are an hour short.
    assert (asked.end, asked.end - asked.start) == (APRIL, timedelta(days=28, hours=-1))
    assert (asked.by, asked.evidence, asked.bucket) == (By.MACHINE, Evidence.PRODUCTION, None)


def test_as_of_ends_the_usual_period_with_what_was_known() -> None:
    asked = read_rate_question({"as_of": ["2026-03-10T12:00"]}, KNOWN)
    assert asked.end == datetime(2026, 3, 10, 23, tzinfo=UTC)


def test_a_day_is_counted_whole_on_the_plants_clock() -> None:
    asked = read_rate_question({"from": ["2026-03-01"], "to": ["2026-03-31"]}, KNOWN)
    assert (asked.start, asked.end) == (MARCH, APRIL)


def test_instants_are_taken_as_they_are() -> None:
    values = {"from": ["2026-03-01T06:00:00Z"], "to": ["2026-03-01T14:00"]}
    asked = read_rate_question(values, KNOWN)
    assert asked.start == datetime(2026, 3, 1, 6, tzinfo=UTC)
    assert asked.end == datetime(2026, 3, 1, 13, tzinfo=UTC)


def test_every_choice_of_rates_is_read() -> None:
    values = {
        "by": ["line"],
        "defect": ["split", "wrinkle", "split"],
        "machine": ["1-2"],
        "line": ["1"],
        "bucket": ["week"],
        "evidence": ["samples"],
        "shrink": ["no"],
    }
    asked = read_rate_question(values, KNOWN)
    assert asked.by is By.LINE
    assert asked.defects == ("split", "wrinkle")
    assert asked.machine == MACHINES[1, "bodymaker", 2]
    assert (asked.line, asked.bucket, asked.shrink) == (1, Bucket.WEEK, False)
    assert asked.evidence is Evidence.SAMPLES


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        (
            "by",
            "team",
            "'team' is not one of: machine, line, defect, plant, tool, tool-type, coil, crew,"
            " shift, hour, station",
        ),
        ("by", "machine,team", "'team' is not one of: machine, line"),
        ("by", "shift,shift", "names 'shift' twice; name two different words, or one"),
        ("by", "shift,crew,hour", "names 3 words; name one or two"),
        ("evidence", "both", "'both' is not one of: production, samples"),
        ("bucket", "year", "'year' is not one of: hour, shift, day"),
        ("bucket", "sample", "'sample' is not one of: hour, shift, day"),
        ("from", "yesterday", "'yesterday' is not an instant"),
        ("from", "2026-02-30", "'2026-02-30' is not a day"),
        ("from", "1026-02-20", "the year 1026 is out of range"),
        ("to", "2026-03-29T02:30", "does not exist"),
        ("line", "9", "there is no line 9; lines are 1, 2"),
        ("line", "two", "'two' is not a whole number"),
        ("machine", "1-9", "line 1 has no bodymaker 9; it has 1, 2"),
        ("machine", "?-?", "'?-?' is not a machine"),
        ("defect", "leak", "'leak' is not a kind of defect here; known are split, wrinkle"),
        ("as_of", "soon", "'soon' is not an instant"),
        ("shrink", "maybe", "'maybe' is neither 'yes' nor 'no'"),
        ("colour", "red", "'colour' is not known here; known are by, line"),
    ],
)
def test_a_bad_choice_is_told_at_its_field(field: str, value: str, sentence: str) -> None:
    faults = _faults({field: [value]})
    assert list(faults) == [field]
    assert sentence in faults[field]


def test_all_bad_choices_are_told_at_once() -> None:
    assert set(_faults({"from": ["x"], "machine": ["9-9"], "by": ["y"]})) == {
        "from",
        "machine",
        "by",
    }


def test_a_period_that_ends_before_it_starts_is_told() -> None:
    assert "not after from" in _faults({"from": ["2026-03-05"], "to": ["2026-03-04"]})["to"]
    assert "five years" in _faults({"from": ["2001-01-01"], "to": ["2026-03-04"]})["from"]


def test_a_machine_of_another_line_is_told() -> None:
    assert "1-1 is not on line 2" in _faults({"line": ["2"], "machine": ["1-1"]})["machine"]


def test_charts_have_a_point_a_day_or_one_per_sample_unless_said_otherwise() -> None:
    assert read_chart_question({}, KNOWN).bucket is Bucket.DAY
    assert read_chart_question({"chart": ["p"]}, KNOWN).bucket is None
    sampled = read_chart_question({"evidence": ["samples"], "bucket": ["day"]}, KNOWN)
    assert (sampled.kind, sampled.bucket) == (ChartKind.AUTO, Bucket.DAY)
    assert read_chart_question({"chart": ["np"]}, KNOWN).evidence is Evidence.SAMPLES


def test_a_baseline_and_points_left_out_are_read() -> None:
    values = {"baseline_from": ["2026-03-01"], "exclude": ["2026-03-05T06:00:00Z", "2026-03-06"]}
    asked = read_chart_question({**values, "to": ["2026-03-31"]}, KNOWN)
    assert asked.baseline == (MARCH, APRIL)
    assert asked.exclude == (
        datetime(2026, 3, 5, 6, tzinfo=UTC),
        datetime(2026, 3, 5, 23, tzinfo=UTC),
    )


@pytest.mark.parametrize(
    ("values", "field", "sentence"),
    [
        ({"chart": ["x-bar"]}, "chart", "is not one of: auto, u, c"),
        ({"chart": ["p"], "evidence": ["production"]}, "chart", "a p chart takes samples"),
        ({"bucket": ["sample"]}, "bucket", "production has no samples"),
        ({"exclude": ["never"]}, "exclude", "'never' is not an instant"),
        (
            {"baseline_from": ["2026-03-09"], "baseline_to": ["2026-03-01"]},
            "baseline_to",
            "is not after baseline_from",
        ),
        ({"by": ["line"]}, "by", "'by' is not known here"),
    ],
)
def test_a_bad_choice_of_a_chart_is_told_at_its_field(
    values: dict[str, list[str]], field: str, sentence: str
) -> None:
    faults = _faults(values, read_chart_question)
    assert list(faults) == [field]
    assert sentence in faults[field]


@given(
    st.dictionaries(
        st.sampled_from([*RATE_FIELDS, *CHART_FIELDS, "other"]), st.lists(st.text(), max_size=2)
    )
)
def test_any_text_is_read_or_told_and_nothing_else_happens(values: dict[str, list[str]]) -> None:
    for read in (read_rate_question, read_chart_question):
        asked, faults = _read(values, read)
        if asked is None:
            assert {fault.field for fault in faults} <= {*values, "from", "to"}
            assert all(fault.sentence for fault in faults)
        else:
            assert asked.start < asked.end


def _read(values, read):
    try:
        return read(values, KNOWN), ()
    except BadFact as told:
        return None, told.faults
