"""What fuzzing found, each once more by itself: what came, and the sentence it gets now."""

import io
import json
import zipfile
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tests.api.plant import ZONE, at
from tests.fuzz.calendars import END, START
from tests.fuzz.telling import must_tell
from tracelog.config import load_settings
from tracelog.errors import BadFact, TracelogError
from tracelog.intake.mqtt_rules import Message, understand
from tracelog.intake.opcua_map import read_map
from tracelog.intake.plant_file import read_plant_file
from tracelog.intake.reject_rules import Arrived, Reject
from tracelog.intake.spreadsheets.archive import demand_harmless
from tracelog.json_text import parse_json
from tracelog.keeping.archive import reading_archive
from tracelog.plant.facts import PalletFact
from tracelog.plant.icalendar_events import read_calendar
from tracelog.trends.facts import MeasurementFact

MEASUREMENT = {"line": 1, "bodymaker": 1, "measured_at": at(1), "characteristic": "depth"}
# Neither is TOML at fault, but both made its reader raise what nobody expected.
LONG_NUMBER = b"name = " + b"9" * 5000
DEEP = b"name = " + b"[" * 5000


def test_half_a_character_in_an_instant_is_told_at_its_field() -> None:
    sent = b'{"pallet": "P-1", "line": 1, "started_at": "2026-03\\ud80002T06:01:00Z", "cans": 8}'
    with pytest.raises(BadFact) as told:
        PalletFact.read(parse_json(sent), ZONE)
    assert str(told.value) == "started_at: holds half a character; write plain text"


def test_a_topic_that_is_no_text_is_a_reject_like_others() -> None:
    origin = Arrived.of("mqtt", "tracelog/P/1\udcff/2/strokes", b"7", END)
    found = understand(Message(origin), "P", ZONE)
    assert isinstance(found, Reject)
    assert found.reason == "line: holds half a character; write plain text"


@pytest.mark.parametrize("digits", [400, 4000])
def test_a_whole_number_beyond_all_floats_is_out_of_range(digits: int) -> None:
    sent = json.dumps({**MEASUREMENT, "value": int("9" * digits)}).encode()
    with pytest.raises(BadFact, match=r"value: '9{60}…' is out of range"):
        MeasurementFact.read(parse_json(sent), ZONE)


@pytest.mark.parametrize("content", [LONG_NUMBER, DEEP], ids=["long number", "deep"])
def test_toml_that_its_reader_gives_up_on_is_told(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    path.write_bytes(content)
    (fault,) = read_plant_file(path).faults
    assert "is not valid TOML" in fault.sentence
    with pytest.raises(BadFact, match="cannot be read"):
        read_map(path)
    environment = {"TRACELOG_CONFIG": str(path), "TRACELOG_DATA_DIR": str(tmp_path)}
    with pytest.raises(TracelogError, match="cannot be read"):
        load_settings(environment)


@pytest.mark.parametrize("name", ["LAST-MODIFIED", "CREATED"])
def test_an_event_whose_last_change_cannot_be_read_is_one_that_does_not_say_it(name: str) -> None:
    text = (
        "BEGIN:VCALENDAR\nBEGIN:VEVENT\nUID:a\nDTSTART:20260402T060000Z\n"
        f"DTEND:20260402T070000Z\n{name}:06230201T0r0000Z\nEND:VEVENT\nEND:VCALENDAR\n"
    )
    (event,) = read_calendar(text.encode(), ZoneInfo("UTC"), START, END).events
    assert event.changed_at is None


@pytest.mark.parametrize("packing", [zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA])
def test_an_archive_in_which_any_byte_was_changed_is_read_or_refused(
    packing: int, tmp_path: Path
) -> None:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", packing) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>" * 3)
    sound = held.getvalue()
    path = tmp_path / "backup.zip"
    refused = 0
    for place in range(len(sound)):
        for byte in (0xFF, sound[place] ^ 0x40):
            changed = sound[:place] + bytes([byte]) + sound[place + 1 :]
            try:
                demand_harmless(changed)
            except TracelogError as problem:
                must_tell(problem, "file")
                refused += 1
            path.write_bytes(changed)
            with pytest.raises(TracelogError), reading_archive(path):
                pass
    assert refused > len(sound) // 2
