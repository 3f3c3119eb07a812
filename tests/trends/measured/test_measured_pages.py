"""The page of measured values and its files on the small simulated plant."""

import csv
import io
import re
from html import unescape

import pytest
from openpyxl import load_workbook
from sqlalchemy import Engine

from tests.support.command import Command
from tests.support.site import Cast, Visit
from tests.support.statements import Statements

pytestmark = pytest.mark.small_plant
PAGE = "/trends/measurements"


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


def test_the_page_begins_with_one_machine_and_says_why_which_chart(quality: Visit) -> None:
    answer = quality.get(PAGE)
    assert answer.status_code == 200
    text = _text(answer.text)
    for words in (
        "X-bar and R: means and ranges",
        "Each subgroup holds 3 values",
        "starting default",
        "the plant's own specification always wins",
        "quality authority",
    ):
        assert words in text.replace("\u2019", "'"), words
    assert answer.text.count('<svg class="trend"') == 4
    assert re.search(r"Measurements: thin wall thickness, machine \d-\d", text)


@pytest.mark.parametrize("chart", ["x-bar-s", "individuals", "ewma", "cusum"])
def test_every_chart_can_be_chosen(quality: Visit, chart: str) -> None:
    answer = quality.get(
        f"{PAGE}?characteristic=dome-depth&machine=1-2&chart={chart}&target=10.4&rules=nelson-1984"
    )
    assert answer.status_code == 200
    assert "Chosen by you." in _text(answer.text)
    assert f'value="{chart}" selected' in answer.text


def test_marked_points_are_told_in_words_and_by_shape(quality: Visit) -> None:
    page = quality.get(f"{PAGE}?machine=1-2&rules=western-electric-1956").text
    rows = list(
        csv.DictReader(
            io.StringIO(
                quality.get(f"{PAGE}/points.csv?machine=1-2&rules=western-electric-1956").text,
                newline="",
            )
        )
    )
    outside = [row for row in rows if row["outside"] == "yes"]
    assert outside
    assert page.count('class="trend-outside"') >= len(outside)
    assert "above the upper limit" in page or "below the lower limit" in page
    assert "Western Electric 1956 rule" in page


@pytest.mark.parametrize("figure", ["points", "capability"])
def test_csv_and_workbook_hold_the_same_cells(quality: Visit, figure: str) -> None:
    told = quality.get(f"{PAGE}/{figure}.csv?machine=1-2")
    assert told.mimetype == "text/csv"
    rows = list(csv.reader(io.StringIO(told.text, newline="")))
    book = quality.get(f"{PAGE}/{figure}.xlsx?machine=1-2")
    cells = [
        ["" if cell is None else cell for cell in row]
        for row in load_workbook(io.BytesIO(book.data)).active.iter_rows(values_only=True)
    ]
    assert len(rows) == len(cells) > 3
    for written, kept in zip(rows[1:], cells[1:], strict=True):
        for text, cell in zip(written, kept, strict=True):
            if isinstance(cell, str):
                assert text == cell
            else:
                assert float(text) == pytest.approx(cell)


def test_every_choice_is_in_the_address(quality: Visit) -> None:
    choices = (
        "characteristic=dome-depth&line=1&machine=1-2&from=2026-06-05&to=2026-06-20&chart=x-bar-s"
        "&lower=10&target=10.4&upper=none&rules=nelson-1984&baseline_from=2026-06-05"
        "&baseline_to=2026-06-15&as_of=2026-06-25T06:00"
    )
    page = quality.get(f"{PAGE}?{choices}").text
    [link] = re.findall(r'href="/trends/measurements/points\.csv\?([^"]*)"', page)
    again = quality.get(f"{PAGE}?{unescape(link)}").text
    [same] = re.findall(r'href="/trends/measurements/points\.csv\?([^"]*)"', again)
    assert same == link
    for chosen in choices.split("&"):
        assert chosen.split("=")[0] + "=" in unescape(link)


def test_the_whole_plant_can_be_asked_for(quality: Visit) -> None:
    answer = quality.get(f"{PAGE}?characteristic=body-weight&machine=")
    assert "come from 8 machines" in _text(answer.text)


@pytest.mark.parametrize(
    ("choices", "field", "sentence"),
    [
        ("machine=9-9", "machine", "there is no line 9"),
        ("characteristic=luck", "characteristic", "was never measured here"),
        ("chart=pie", "chart", "is not one of"),
        ("lower=thin", "lower", "is not a number"),
        ("lower=5&upper=4", "lower", "is not below the upper limit"),
        ("scale=odd", "scale", "is not one of"),
        ("from=x", "from", "is not an instant"),
        ("as_of=x", "as_of", "is not an instant"),
    ],
)
def test_a_bad_choice_gets_one_sentence_at_its_field(
    quality: Visit, choices: str, field: str, sentence: str
) -> None:
    answer = quality.get(f"{PAGE}?{choices}")
    assert answer.status_code == 400
    wrong = _wrong(answer.text)
    assert list(wrong) == [field]
    assert sentence in wrong[field]
    assert quality.get(f"{PAGE}/points.csv?{choices}").status_code == 400
    assert quality.get(f"/api/v1/measurement-charts?{choices}").status_code == 400


def test_there_is_no_other_file(quality: Visit) -> None:
    assert quality.get(f"{PAGE}/points.exe").status_code == 404
    assert quality.get(f"{PAGE}/secrets.csv").status_code == 404


def test_who_has_not_signed_in_is_led_to_the_sign_in(visit: Visit) -> None:
    assert visit.get(PAGE).headers["Location"].startswith("/sign-in")
    assert visit.get("/api/v1/measurement-charts").status_code == 401


def test_the_number_of_statements_does_not_grow_with_the_period(
    quality: Visit, own_engine: Engine
) -> None:
    recorder = Statements(own_engine)
    sent = []
    for start in ("2026-06-25", "2026-06-05"):
        with recorder.counted() as texts:
            assert quality.get(f"{PAGE}?machine=1-2&from={start}&to=2026-06-30").status_code == 200
        sent.append(len(texts))
    recorder.close()
    assert sent[0] == sent[1] <= 20, sent


def test_api_and_command_tell_the_same(quality: Visit) -> None:
    told = quality.get(
        "/api/v1/measurement-charts?characteristic=dome-depth&machine=1-2"
    ).get_json()
    assert told["chart"] == "x-bar-r"
    assert told["specification"]["starting_defaults"] is True
    assert [point["number"] for point in told["points"]] == list(range(1, len(told["points"]) + 1))
    assert told["capability"]["values"] == sum(point["size"] for point in told["points"])


def test_the_command_prints_a_table_and_json(command: Command) -> None:
    done = command("measurements", "--characteristic", "thin-wall", "--machine", "1-2")
    assert "thin wall thickness, mm, machine 1-2: X-bar and R" in done.stdout
    assert "starting default" in done.stderr
    done = command("measurements", "--machine", "1-2", "--json", "--as-of", "2026-06-20T06:00")
    assert '"chart": "x-bar-r"' in done.stdout
    done = command("measurements", "--machine", "9-9", "--chart", "pie", status=2)
    assert "--machine: there is no line 9" in done.stderr
    assert "--chart: 'pie' is not one of" in done.stderr
    done = command("measurements", "--characteristic", "axial-load", status=1)
    assert "nothing was measured" in done.stderr
