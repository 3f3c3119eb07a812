"""The Trends page and its files on the small simulated plant."""

import csv
import io
import json
import re
from html import unescape

import pytest
from openpyxl import load_workbook
from sqlalchemy import Engine

from tests.support.site import Cast, Visit
from tests.support.statements import Statements

pytestmark = pytest.mark.small_plant


@pytest.fixture
def quality(visit: Visit, cast: Cast) -> Visit:
    """A visitor signed in as quality."""
    cast.sign_in(visit, "quality")
    return visit


def _text(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def _wrong(html: str) -> dict[str, str]:
    """The sentences at the fields."""
    found = re.findall(r'class="wrong" id="wrong-(\w+)">([^<]*)<', html)
    return {field: unescape(sentence) for field, sentence in found}


def test_the_page_shows_rates_a_chart_and_the_kinds_of_defect(quality: Visit) -> None:
    answer = quality.get("/trends")
    assert answer.status_code == 200
    text = _text(answer.text)
    for words in (
        "Machines beside each other",
        "occurrences per million strokes",
        "Reports are not inspections",
        "Centre ",
        "Kinds of defect",
    ):
        assert words in text
    # Machines, shifts, crews, the chart, and the kinds of defect.
    assert answer.text.count('<svg class="trend"') == 5
    # Each of the eight bodymakers has its row in the figure and in the table.
    machines, _others = answer.text.split('id="crews-head"')
    assert machines.count('class="trend-value"') == 8


def test_figure_and_table_tell_the_same(quality: Visit) -> None:
    page = quality.get("/trends?machine=1-2&bucket=week").text
    [row] = [
        row
        for row in csv.DictReader(io.StringIO(quality.get("/trends/rates.csv").text, newline=""))
        if row["machine"] == "1-2"
    ]
    assert f"{int(row['exposure']):,}" in page
    assert f"1-2: {float(row['per_million']):.3f}".rstrip("0") in page


def test_nothing_is_inline_and_the_policy_forbids_it(quality: Visit) -> None:
    answer = quality.get("/trends")
    assert "style-src 'self';" in answer.headers["Content-Security-Policy"]
    assert not re.findall(r"<style|\sstyle=|\son\w+=|<script(?![^>]*src=)", answer.text)
    # What the library would write into the page goes into a sheet of ours instead.
    assert not re.findall(r'src="[^"]*plotly', answer.text)


def test_the_chart_library_comes_only_when_asked_for(quality: Visit) -> None:
    answer = quality.get("/trends?explore=yes")
    [source] = re.findall(r'src="([^"]*plotly[^"]*)"', answer.text)
    library = quality.get(source)
    assert library.status_code == 200
    assert "max-age=31536000" in library.headers["Cache-Control"]
    assert answer.text.count('<svg class="trend"') == 5


@pytest.mark.parametrize("figure", ["rates", "chart", "pareto"])
def test_the_figures_for_exploring_are_plain_data(quality: Visit, figure: str) -> None:
    drawn = json.loads(quality.get(f"/trends/{figure}.json?line=1").text)
    assert set(drawn) == {"data", "layout"}
    assert len(drawn["data"][0]["x"]) == len(drawn["data"][0]["y"]) > 3


def test_every_choice_is_in_the_address(quality: Visit) -> None:
    choices = (
        "defect=wall-tear-off&line=1&machine=1-2&from=2026-06-05&to=2026-06-20&evidence=production"
        "&bucket=week&chart=u&baseline_from=2026-06-05&baseline_to=2026-06-15&as_of=2026-06-25T06:00"
    )
    page = quality.get(f"/trends?{choices}").text
    [link] = re.findall(r'href="/trends/chart\.csv\?([^"]*)"', page)
    again = quality.get(f"/trends?{unescape(link)}").text
    [same] = re.findall(r'href="/trends/chart\.csv\?([^"]*)"', again)
    assert same == link
    assert 'value="2026-06-05"' in page
    assert 'value="1-2" selected' in page


@pytest.mark.parametrize("figure", ["rates", "chart", "pareto"])
def test_csv_and_workbook_hold_the_same_cells(quality: Visit, figure: str) -> None:
    told = quality.get(f"/trends/{figure}.csv?line=1")
    assert told.mimetype == "text/csv"
    assert f'filename="{figure}-' in told.headers["Content-Disposition"]
    rows = list(csv.reader(io.StringIO(told.text, newline="")))
    book = quality.get(f"/trends/{figure}.xlsx?line=1")
    cells = [
        ["" if cell is None else cell for cell in row]
        for row in load_workbook(io.BytesIO(book.data)).active.iter_rows(values_only=True)
    ]
    assert len(rows) == len(cells) > 3
    assert rows[0] == cells[0]
    for written, kept in zip(rows[1:], cells[1:], strict=True):
        for text, cell in zip(written, kept, strict=True):
            if isinstance(cell, str):
                assert text == cell
            else:
                assert float(text) == pytest.approx(cell)


@pytest.mark.parametrize(
    ("choices", "field", "sentence"),
    [
        ("machine=9-9", "machine", "there is no line 9"),
        ("line=x", "line", "'x' is not a whole number"),
        ("defect=nothing", "defect", "is not a kind of defect here"),
        ("from=x", "from", "'x' is not an instant"),
        ("to=2026-13-01", "to", "is not a day"),
        ("evidence=hearsay", "evidence", "is not one of"),
        ("evidence=samples", "defect", "choose one kind of defect"),
        ("bucket=year", "bucket", "is not one of"),
        ("bucket=hour&from=2025-06-01&to=2026-06-01", "bucket", "choose a longer bucket"),
        ("chart=z", "chart", "is not one of"),
        ("chart=p&evidence=production", "chart", "a p chart takes samples"),
        ("chart=c", "chart", "a c chart needs the same strokes"),
        ("baseline_from=x", "baseline_from", "'x' is not an instant"),
        ("baseline_from=2020-01-01&baseline_to=2020-02-01", "baseline_from", "longer baseline"),
        ("exclude=x", "exclude", "'x' is not an instant"),
        ("as_of=x", "as_of", "'x' is not an instant"),
    ],
)
def test_a_bad_choice_gets_one_sentence_at_its_field(
    quality: Visit, choices: str, field: str, sentence: str
) -> None:
    answer = quality.get(f"/trends?{choices}")
    assert answer.status_code == 400
    wrong = _wrong(answer.text)
    assert list(wrong) == [field]
    assert sentence in wrong[field]
    assert "trend-value" not in answer.text
    for kind in ("csv", "json"):
        refused = quality.get(f"/trends/chart.{kind}?{choices}")
        assert refused.status_code == 400


def test_a_choice_that_nobody_knows_is_told(quality: Visit) -> None:
    answer = quality.get("/trends?colour=red")
    assert answer.status_code == 400
    assert "'colour' is not known here" in _text(answer.text)


def test_there_is_no_other_file(quality: Visit) -> None:
    assert quality.get("/trends/rates.exe").status_code == 404
    assert quality.get("/trends/secrets.csv").status_code == 404


@pytest.mark.parametrize("path", ["/trends", "/trends/rates.csv"])
def test_who_has_not_signed_in_is_led_to_the_sign_in(visit: Visit, path: str) -> None:
    answer = visit.get(path)
    assert answer.status_code == 302
    assert answer.headers["Location"].startswith("/sign-in")


@pytest.mark.parametrize("role", ["operator", "planner", "supervisor", "administrator"])
def test_every_role_sees_the_page(visit: Visit, cast: Cast, role: str) -> None:
    cast.sign_in(visit, role)
    assert visit.get("/trends").status_code == 200


def test_the_number_of_statements_does_not_grow_with_the_period(
    quality: Visit, own_engine: Engine
) -> None:
    recorder = Statements(own_engine)
    sent = []
    for start in ("2026-06-25", "2026-06-10"):
        with recorder.counted() as texts:
            assert quality.get(f"/trends?from={start}&to=2026-06-30").status_code == 200
        sent.append(len(texts))
    recorder.close()
    assert sent[0] == sent[1] <= 30, sent


def test_the_api_answers_like_the_command(quality: Visit) -> None:
    answer = quality.get(
        "/api/v1/rates?by=machine&defect=wall-tear-off&from=2026-06-05&to=2026-06-20"
    )
    assert answer.status_code == 200
    told = answer.get_json()
    assert told["from"] == "2026-06-05T05:00:00Z"
    assert {row["machine"] for row in told["rates"]} >= {"1-1", "2-4"}
    assert all(row["low"] <= row["per_million"] <= row["high"] for row in told["rates"])
    drawn = quality.get("/api/v1/charts?machine=1-2&bucket=week").get_json()
    assert [point["number"] for point in drawn["points"]] == list(
        range(1, len(drawn["points"]) + 1)
    )


def test_the_api_tells_a_bad_choice_as_problem_details(quality: Visit) -> None:
    for call in ("rates", "charts"):
        answer = quality.get(f"/api/v1/{call}?machine=9-9&from=x")
        assert (answer.status_code, answer.mimetype) == (400, "application/problem+json")
        assert {one["field"] for one in answer.get_json()["faults"]} == {"machine", "from"}


def test_the_api_answers_nobody_unknown(visit: Visit) -> None:
    for call in ("rates", "charts"):
        assert visit.get(f"/api/v1/{call}").status_code == 401
