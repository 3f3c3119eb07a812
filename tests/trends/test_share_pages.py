"""Rates by tool, coil, crew and the rest through every door, on the small simulated plant."""

import csv
import io
import json
import re
from html import unescape

import pytest
from openpyxl import load_workbook

from tests.support.command import Command
from tests.support.site import Cast, Visit
from tracelog.trends.rules import By
from tracelog.trends.shares.page import MOST_SHOWN

pytestmark = pytest.mark.small_plant


@pytest.fixture
def quality(visit: Visit, cast: Cast) -> Visit:
    """A visitor signed in as quality."""
    cast.sign_in(visit, "quality")
    return visit


def _files_rows(quality: Visit, query: str) -> list[dict[str, str]]:
    told = quality.get(f"/trends/rates.csv?{query}")
    assert told.status_code == 200
    return list(csv.DictReader(io.StringIO(told.text, newline="")))


@pytest.mark.parametrize("by", list(By))
def test_every_way_to_tell_apart_is_drawn_and_in_its_files(quality: Visit, by: By) -> None:
    page = quality.get(f"/trends?by={by}")
    assert page.status_code == 200
    section = page.text.split('id="rates-head"')[1].split("</section>")[0]
    rows = _files_rows(quality, f"by={by}")
    *named, together = rows
    assert together["name"] == "together"
    shown = min(len(named), MOST_SHOWN)
    assert section.count('class="trend-row') == shown
    assert ("Shown are the" in section) == (len(named) > MOST_SHOWN)
    book = quality.get(f"/trends/rates.xlsx?by={by}")
    sheet = load_workbook(io.BytesIO(book.data)).active
    assert sheet.max_row == len(rows) + 1
    drawn = json.loads(quality.get(f"/trends/rates.json?by={by}").text)
    assert len(drawn["data"][0]["x"]) == sum(row["per_million"] != "" for row in named)


def test_two_crossed_have_a_column_each_and_keep_their_address(quality: Visit) -> None:
    page = quality.get("/trends?by=machine&across=shift&line=1").text
    section = page.split('id="rates-head"')[1].split("</section>")[0]
    assert "Rates by machine and shift" in section
    assert re.findall(r"<th[^>]*>(Machine|Shift)<", section) == ["Machine", "Shift"]
    [link] = re.findall(r'href="/trends/rates\.csv\?([^"]*)"', section)
    rows = _files_rows(quality, unescape(link))
    assert {row["machine"] for row in rows[:-1]} == {"1-1", "1-2", "1-3", "1-4"}
    assert all(row["shift"] for row in rows[:-1])
    assert 'value="shift" selected' in page


def test_what_cannot_be_told_apart_is_said_at_the_field(quality: Visit) -> None:
    for query, sentence in (
        ("by=shift&across=shift", "names 'shift' twice; name two different words, or one"),
        ("by=team", "'team' is not one of: machine, line, defect, plant, tool, tool-type, coil"),
        ("across=team", "'team' is not one of"),
    ):
        answer = quality.get(f"/trends?{query}")
        assert answer.status_code == 400
        [told] = re.findall(r'class="wrong" id="wrong-by">([^<]*)<', answer.text)
        assert sentence in unescape(told)


def test_shifts_and_crews_stand_beside_each_other_with_a_caution(quality: Visit) -> None:
    page = quality.get("/trends?line=2").text
    section = page.split('id="crews-head"')[1].split("</section>")[0]
    assert "Crews do not log alike" in section
    assert section.count('<svg class="trend"') == 2
    for by in ("shift", "crew"):
        rows = _files_rows(quality, f"line=2&by={by}")
        assert len(rows) > 2
        for row in rows[:-1]:
            assert f"{int(row['exposure']):,}" in section
            assert row["name"] in section


def test_the_api_gives_what_the_command_gives(quality: Visit, command: Command) -> None:
    for by in ("tool,crew", "coil", "defect,hour", "station"):
        answer = quality.get(f"/api/v1/rates?by={by}&to=2026-06-10")
        told = json.loads(command("rates", "--by", by, "--to", "2026-06-10", "--json").stdout)
        assert answer.get_json() == told
        assert told["by"] == by
        assert len(told["rates"]) > 1


def test_the_command_prints_a_column_for_each_and_refuses_what_it_does_not_know(
    command: Command,
) -> None:
    done = command("rates", "--by", "machine, shift", "--bucket", "week")
    assert re.search(r"machine\W+shift\W+week\W+found", done.stdout)
    refused = command("rates", "--by", "team", status=2)
    assert "--by: 'team' is not one of: machine, line, defect, plant, tool" in refused.stderr
