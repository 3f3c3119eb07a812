"""`tracelog calendar`: list, import and export as people type them."""

import json
from pathlib import Path

import pytest
from icalendar import Calendar
from sqlalchemy import Engine

from tests.plant.calendar_files import CLEANING, calendar_file
from tests.support.command import Command
from tests.trace import two_lines as plant
from tracelog.db import writing

ONCE = "UID:once\nDTSTART:20260310T060000Z\nDTEND:20260310T140000Z\nSUMMARY:label change"
TIME = ("--from", "2026-03-01", "--to", "2026-04-30")


@pytest.fixture
def on_plant(own_engine: Engine, command: Command) -> Command:
    """The command on a plant of lines 1 and 2."""
    with writing(own_engine) as session:
        plant.write_plant(session)
    return command


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A calendar file of four weekly cleanings and one label change."""
    path = tmp_path / "line.ics"
    path.write_bytes(calendar_file(CLEANING, ONCE))
    return path


def listed(command: Command, *words: str) -> list[tuple[str, str | None, int | None]]:
    answer = json.loads(command("calendar", "list", *TIME, "--json", *words).stdout)
    return [(one["starts_at"], one["reason"], one["line"]) for one in answer["periods"]]


def test_a_file_is_looked_at_taken_and_taken_again(on_plant: Command, file: Path) -> None:
    words = ("calendar", "import", file, "--line", 1, "--kind", "stop", *TIME)
    looked = on_plant(*words, "--dry-run").stdout
    assert "5 added" in looked
    assert "Only looked; nothing was written." in looked
    assert listed(on_plant) == []
    assert "5 added" in on_plant(*words).stdout
    found = listed(on_plant)
    assert found[:2] == [
        ("2026-03-10T06:00:00Z", "label change", 1),
        ("2026-03-24T05:00:00Z", "weekly cleaning", 1),
    ]
    assert listed(on_plant, "--line", "2") == []
    again = on_plant(*words).stdout
    assert "5 unchanged" in again
    assert "Nothing was written." in again
    assert listed(on_plant) == found


def test_the_list_is_a_table_in_plant_time(on_plant: Command, file: Path) -> None:
    on_plant("calendar", "import", file, "--whole-plant", "--kind", "no service", *TIME)
    table = on_plant("calendar", "list", *TIME, "--kind", "no service").stdout
    (row,) = [line for line in table.splitlines() if "label change" in line]
    assert row.split()[:4] == ["2026-03-10", "07:00", "2026-03-10", "15:00"]
    assert "whole plant" in row
    assert "label change" not in on_plant("calendar", "list", *TIME, "--kind", "stop").stdout


def test_an_export_is_a_calendar_that_comes_back_unchanged(
    on_plant: Command, file: Path, tmp_path: Path
) -> None:
    on_plant("calendar", "import", file, "--line", 1, "--kind", "stop", *TIME)
    out = tmp_path / "out.ics"
    assert "5 periods written" in on_plant("calendar", "export", out).stdout
    assert len(Calendar.from_ical(out.read_bytes()).walk("VEVENT")) == 5
    assert "5 unchanged" in on_plant("calendar", "import", out, *TIME).stdout
    assert on_plant("calendar", "export", "-").stdout.encode().replace(b"\r\n", b"\n") == (
        out.read_bytes().replace(b"\r\n", b"\n")
    )


def test_what_vanished_goes_only_when_asked_and_what_was_withdrawn_comes_only_when_asked(
    on_plant: Command, file: Path
) -> None:
    words = ("calendar", "import", file, "--line", 1, "--kind", "stop", *TIME)
    on_plant(*words)
    file.write_bytes(calendar_file(CLEANING))
    assert "5 unchanged" not in on_plant(*words).stdout
    assert len(listed(on_plant)) == 5
    assert "1 withdrawn" in on_plant(*words, "--replace").stdout
    file.write_bytes(calendar_file(CLEANING, ONCE))
    assert "1 left out" in on_plant(*words).stdout
    assert len(listed(on_plant)) == 4
    answer = json.loads(on_plant(*words, "--bring-back", "--json").stdout)
    assert (answer["written"], answer["counts"]) == (True, {"added": 1, "unchanged": 4})
    assert answer["steps"][0]["event"]["reason"] == "label change"


def test_what_is_wrong_is_one_line_each_and_status_1(on_plant: Command, file: Path) -> None:
    told = on_plant("calendar", "import", file, "--kind", "stop", *TIME, status=1).stderr
    lines = told.splitlines()
    assert len(lines) == 2
    assert all(line.startswith(f"{file}: event '") for line in lines)
    assert all("does not say where" in line for line in lines)
    file.write_bytes(b"no calendar")
    told = on_plant("calendar", "import", file, "--line", 1, "--kind", "stop", status=1).stderr
    assert told.startswith("tracelog: file: is not a calendar file")
    told = on_plant("calendar", "import", file, "--line", 9, "--kind", "stop", status=1).stderr
    assert len(told.splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--line", "1", "--whole-plant"), "not both"),
        (("--bodymaker", "1"), "--bodymaker needs --line"),
        (("--from", "2026-03-01", "--to", "2026-02-01"), "is not after --from"),
        (("--from", "soon"), "is not an instant"),
    ],
)
def test_wrong_usage_is_told_with_status_2(
    on_plant: Command, file: Path, words: tuple[str, ...], told: str
) -> None:
    assert told in on_plant("calendar", "import", file, *words, status=2).stderr
