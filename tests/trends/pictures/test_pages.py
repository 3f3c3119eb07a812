"""Pages, files and calls of funnel, heat map and years on the small simulated plant."""

import csv
import io
import re
from datetime import UTC, datetime, timedelta
from html import unescape
from random import Random
from urllib.parse import parse_qsl, urlencode

import pytest
from openpyxl import load_workbook

from tests.support.site import Cast, Visit
from tracelog.plant.queries import Directory
from tracelog.trends.pictures import heat_views
from tracelog.trends.pictures.heat import (
    HeatAnswer,
    HeatCell,
    HeatColumn,
    HeatRow,
    judged_cells,
)
from tracelog.trends.pictures.questions import HeatQuestion

pytestmark = pytest.mark.small_plant


@pytest.fixture
def quality(visit: Visit, cast: Cast) -> Visit:
    """A visitor signed in as quality."""
    cast.sign_in(visit, "quality")
    return visit


def _text(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def _rows(quality: Visit, path: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(quality.get(path).text, newline="")))


@pytest.mark.parametrize("path", ["/trends/funnel", "/trends/heat", "/trends/years"])
def test_a_page_shows_its_figure_says_what_it_does_not_say_and_has_its_files(
    quality: Visit, path: str
) -> None:
    answer = quality.get(path)
    assert answer.status_code == 200
    assert "It does not say:" in answer.text
    assert "Printed 2026-" in answer.text
    assert f'href="{path}" aria-current="page"' in answer.text
    assert not re.findall(r"<style|\sstyle=|\son\w+=|<script(?![^>]*src=)", answer.text)
    [query] = re.findall(rf'href="{path}\.xlsx\?([^"]*)"', answer.text)
    sheet = quality.get(f"{path}.xlsx?{unescape(query)}")
    assert sheet.status_code == 200
    assert load_workbook(io.BytesIO(sheet.data)).active.max_row > 4


def test_page_file_and_call_of_the_funnel_tell_the_same(quality: Visit) -> None:
    asked = "by=machine&from=2026-06-05&to=2026-06-28"
    told = quality.get(f"/api/v1/funnel?{asked}").get_json()
    rows = _rows(quality, f"/trends/funnel.csv?{asked}")
    assert [row["name"] for row in rows] == [row["name"] for row in told["rows"]]
    assert len(rows) == 8
    page = quality.get(f"/trends/funnel?{asked}").text
    assert told["says"] in unescape(page)
    for row, one in zip(rows, told["rows"], strict=True):
        assert float(row["shrunk"]) == pytest.approx(one["shrunk"])
        assert f"{one['strokes']:,}" in page
    assert sum(one["probability_worst"] for one in told["rows"]) == pytest.approx(1)
    drawn = quality.get(f"/trends/funnel.json?{asked}").get_json()
    assert [len(trace["x"]) for trace in drawn["data"]] == [96] * 6 + [8]


def test_cells_of_the_heat_map_lead_to_as_many_entries_as_they_count(quality: Visit) -> None:
    page = quality.get("/trends/heat?machine=1-2&from=2026-06-05&to=2026-06-14").text
    form = page.partition('class="heat-form"')[2]
    hidden = re.findall(r'type="hidden" name="([^"]+)" value="([^"]*)"', form)
    chosen = [(name, unescape(value)) for name, value in hidden]
    cells = re.findall(r'<button name=c value=(\S+) title="[^"]*">(\d+)<', page)
    assert len(cells) > 3
    for place, count in cells:
        led = quality.get("/trends/heat/cell?" + urlencode([*chosen, ("c", place)]))
        assert led.status_code == 303
        listed = led.location.replace("/log/entries", "/api/v1/defects") + "&limit=1000"
        entries = quality.get(listed).get_json()["defects"]
        assert sum(one["counted_occurrences"] for one in entries) == int(count)
        assert dict(parse_qsl(led.location.split("?")[1]))["machine"] == "1-2"


def test_the_files_of_the_heat_map_hold_every_cell(quality: Visit) -> None:
    rows = _rows(quality, "/trends/heat.csv?from=2026-06-05&to=2026-06-14")
    assert len(rows) == 8 * 10
    for row in rows:
        if row["strokes"] not in ("", "0"):
            rate = int(row["occurrences"]) / int(row["strokes"]) * 1e6
            assert float(row["per_million"]) == pytest.approx(rate)
            assert row["step"] in {"-3", "-2", "-1", "0", "1", "2", "3"}


def test_years_of_page_file_and_call_tell_the_same(quality: Visit) -> None:
    told = quality.get("/api/v1/years?step=week&machine=1-2").get_json()
    rows = _rows(quality, "/trends/years.csv?step=week&machine=1-2")
    assert len(rows) == len(told["periods"]) + 1 == 54
    june = [one for one in told["periods"] if one["now"] and one["now"]["strokes"]]
    assert june
    total = sum(one["now"]["occurrences"] for one in june)
    assert told["to_date"]["now"]["occurrences"] == total == int(rows[-1]["occurrences"])
    assert "2025 has no data: no stroke and no report." in _text(quality.get("/trends/years").text)


@pytest.mark.parametrize(
    ("path", "field", "sentence"),
    [
        ("/trends/funnel?by=shift", "by", "'shift' is not one of: machine, line"),
        ("/trends/funnel?bucket=day", "bucket", "is not known here"),
        ("/trends/heat?columns=year", "columns", "'year' is not one of"),
        ("/trends/heat?from=2024-01-01&to=2026-06-01&columns=day", "columns", "gives 883 columns"),
        ("/trends/heat?defect=rust", "defect", "'rust' is not a kind of defect here"),
        ("/trends/years?year=26", "year", "1990"),
        ("/trends/years?step=quarter", "step", "'quarter' is not one of: month, week"),
    ],
)
def test_a_wrong_choice_is_told_at_its_field(
    quality: Visit, path: str, field: str, sentence: str
) -> None:
    answer = quality.get(path)
    assert answer.status_code == 400
    assert sentence in unescape(answer.text)
    assert f'href="#field-{field}"' in answer.text


@pytest.mark.parametrize("path", ["/trends/heat.json", "/trends/years.pdf", "/trends/funnel.pdf"])
def test_a_file_that_is_not_made_is_not_found(quality: Visit, path: str) -> None:
    assert quality.get(path).status_code == 404


def test_a_cell_that_is_not_there_is_not_found(quality: Visit) -> None:
    assert quality.get("/trends/heat/cell?c=99.0").status_code == 404


def test_only_those_who_have_signed_in_see_them(visit: Visit) -> None:
    for path in ("/trends/funnel", "/trends/heat", "/trends/years"):
        assert visit.get(path).status_code in (302, 303, 401)
    assert visit.get("/api/v1/funnel").status_code == 401


def test_a_quarter_of_32_machines_stays_light(
    quality: Visit, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every cell has reports, as with all kinds of defect together."""
    chance = Random(20260601)
    first = datetime(2026, 4, 1, tzinfo=UTC)
    columns = tuple(
        HeatColumn(at, at, at + timedelta(days=1))
        for at in (first + timedelta(days=n) for n in range(92))
    )

    def full(
        _session: object, asked: HeatQuestion, _plant: object, places: Directory
    ) -> HeatAnswer:
        strokes = [[chance.randint(300_000, 450_000) for _day in range(92)] for _row in range(32)]
        grid = [[HeatCell(chance.randint(1, 12), n) for n in row] for row in strokes]
        rows = tuple(
            HeatRow(places.bodymakers[0], tuple(cells), unheard_of=False)
            for cells in judged_cells(grid, asked.against)
        )
        return HeatAnswer(asked, columns, rows, 32 * 92, 6.0)

    monkeypatch.setattr(heat_views, "heat_of", full)
    page = quality.get("/trends/heat").text
    assert page.count("<td") > 32 * 92
    assert 0 < page.count("<button name=c") < 32 * 92
    assert len(page.encode()) < 150_000
