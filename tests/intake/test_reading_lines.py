"""Plain lines of readings.csv are read as their facts are; all others are left to the facts."""

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracelog.errors import BadFact
from tracelog.intake.csv_rows import CsvFile
from tracelog.intake.reading_lines import plain_readings
from tracelog.strokes.facts import ReadingFact

ZONE = ZoneInfo("Europe/Madrid")
HEADER = ("line", "bodymaker", "read_at", "strokes")
numbers = st.sampled_from(["1", "12", "999", "007", "0", "1000", "", " 1", "+1", "1.0", "x", "-1"])
counts = st.sampled_from(["0", "5", "123456789012345", "1234567890123456", "", "1e3", "12 ", "0x1"])
instants = st.one_of(
    st.sampled_from(
        [
            "2026-03-29T06:15:00Z",
            "2026-03-29T06:15:00.000001Z",
            "2026-03-29T06:15:00.1Z",
            "2026-03-29 06:15:00Z",
            "2026-03-29T06:15:00+02:00",
            "2026-03-29T02:15:00",
            "2026-02-29T06:15:00Z",
            "2024-02-29T23:59:59Z",
            "2100-02-29T00:00:00Z",
            "2026-04-31T06:15:00Z",
            "2026-13-01T06:15:00Z",
            "2026-00-01T06:15:00Z",
            "2026-01-00T06:15:00Z",
            "2026-01-01T24:00:00Z",
            "2026-01-01T23:60:00Z",
            "2026-01-01T23:59:60Z",
            "1899-12-31T00:00:00Z",
            "1900-01-01T00:00:00Z",
            "2200-12-31T23:59:59Z",
            "2201-01-01T00:00:00Z",
            "1969-12-31T23:59:59.999999Z",
            "2026-03-29T06:15:00z",
            "",
        ]
    ),
    st.datetimes().map(lambda moment: moment.isoformat() + "Z"),
)
lines = st.one_of(
    st.tuples(numbers, numbers, instants, counts).map(",".join),
    st.sampled_from(["", "1,2", ",,,,", "1,1,2026-03-29T06:15:00Z,5,", "  "]),
)


@settings(max_examples=300, deadline=None)
@given(told=st.lists(lines, min_size=1, max_size=12))
def test_a_plain_line_says_what_its_fact_says(told: list[str]) -> None:
    found = plain_readings(("\n".join(told) + "\n").encode(), HEADER)
    for place, line in enumerate(told):
        if found.is_plain[place]:
            fact = ReadingFact.read(dict(zip(HEADER, line.split(","), strict=True)), ZONE)
            assert found.columns.fact(place) == fact


@pytest.mark.parametrize("header", [HEADER, ("strokes", "read_at", "bodymaker", "line")])
def test_what_tracelog_writes_itself_is_plain(header: tuple[str, ...]) -> None:
    cells = {"line": "3", "bodymaker": "12", "read_at": "2026-03-29T06:15:00Z", "strokes": "99"}
    block = ",".join(cells[name] for name in header) + "\n"
    found = plain_readings(block.encode() * 3, header)
    assert found.is_plain.all()
    assert found.columns.fact(2) == ReadingFact.read(cells, ZONE)


def test_wrong_lines_are_left_to_the_facts() -> None:
    wrong = ["0,1,2026-03-29T06:15:00Z,5", "1,1,2026-02-29T06:15:00Z,5", "1,1,now,5", "1,1"]
    found = plain_readings("\n".join([*wrong, ""]).encode(), HEADER)
    assert not found.is_plain.any()
    with pytest.raises(BadFact):
        ReadingFact.read(dict(zip(HEADER, wrong[0].split(","), strict=True)), ZONE)


def test_blocks_of_plain_lines_end_where_a_line_needs_a_closer_look(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    plain = b"1,1,2026-03-29T06:15:00Z,5\r\n"
    path.write_bytes(b"line,bodymaker,read_at,strokes\n" + plain * 3 + b'"1",1,x,5\n' + b"1,2,3,4")
    with CsvFile(path) as rows:
        assert rows.plain_lines(2) == (2, plain.replace(b"\r", b"") * 2)
        assert rows.plain_lines(2) == (4, b"")
        others = rows.rows()
        assert [next(others).line, next(others).cells] == [4, ["1", "1", "x", "5"]]
        assert rows.plain_lines(2) == (6, b"1,2,3,4\n")
        assert rows.plain_lines(2) == (7, b"")
        assert list(others) == []
