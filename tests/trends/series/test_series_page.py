"""The page of one series on the small simulated plant."""

import csv
import io
import re
from html import unescape

import pytest
from sqlalchemy import Engine

from tests.support.site import Cast, Visit
from tests.support.statements import Statements

pytestmark = pytest.mark.small_plant

PERIOD = "from=2026-06-05&to=2026-06-28"


@pytest.fixture
def quality(visit: Visit, cast: Cast) -> Visit:
    """A visitor signed in as quality."""
    cast.sign_in(visit, "quality")
    return visit


def _text(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def test_the_page_says_which_chart_why_and_what_sets_its_limits(quality: Visit) -> None:
    answer = quality.get(f"/trends/chart?machine=1-2&{PERIOD}")
    assert answer.status_code == 200
    text = _text(answer.text)
    for words in (
        "Control chart: machine 1-2",
        "occurrences a point on average",
        "All points shown set the centre and the limits, as usual.",
        "What happened meanwhile, the newest first",
        "diamond: outside the limits",
    ):
        assert words in text
    assert 'href="/service/tools/' in answer.text
    assert not re.findall(r"<style|\sstyle=|\son\w+=|<script(?![^>]*src=)", answer.text)


def test_each_point_leads_to_as_many_entries_as_it_counts(quality: Visit) -> None:
    page = quality.get(f"/trends/chart?machine=1-2&{PERIOD}&bucket=week").text
    told = quality.get(f"/api/v1/charts?machine=1-2&{PERIOD}&bucket=week").get_json()
    links = [unescape(one) for one in re.findall(r'href="(/log/entries\?[^"]*)"', page)]
    counted = [point["count"] for point in told["points"] if point["count"]]
    assert len(links) == len(counted) > 2
    for link, count in zip(links, counted, strict=True):
        listed = quality.get(link.replace("/log/entries", "/api/v1/defects") + "&limit=1000")
        assert sum(one["counted_occurrences"] for one in listed.get_json()["defects"]) == count
        assert quality.get(link).status_code == 200


def test_points_between_entries_lead_to_their_entry(quality: Visit) -> None:
    page = quality.get(f"/trends/chart?machine=1-2&{PERIOD}&chart=gaps").text
    told = quality.get(f"/api/v1/charts?machine=1-2&{PERIOD}&chart=gaps").get_json()
    assert told["unit"] == "strokes"
    links = re.findall(r'href="/log/([0-9a-f-]{36})"', page)
    assert links == [point["entry"] for point in told["points"]]
    assert quality.get(f"/log/{links[0]}").status_code == 200


def test_run_rules_are_named_on_points_and_below(quality: Visit) -> None:
    address = f"/trends/chart?{PERIOD}&rules=nelson-1984&chart=u"
    told = quality.get(address.replace("/trends/chart", "/api/v1/charts")).get_json()
    assert [one["name"][:16] for one in told["rules"]] == ["Nelson 1984 rule"] * 8
    named = {number for one in told["rules"] for number in one["points"]}
    assert named == {point["number"] for point in told["points"] if point["rules"]}
    page = quality.get(address).text
    assert "Run rules, each with the points" in page
    assert "Eight rules at once" in _text(page)
    plain = quality.get(f"/trends/chart?{PERIOD}&chart=u").text
    assert "Run rules, each" not in plain
    assert "trend-in-run" not in plain


def test_a_baseline_is_frozen_used_and_told(quality: Visit) -> None:
    address = f"/trends/chart?machine=1-2&{PERIOD}"
    page = quality.get(address).text
    fields = _form(page)
    fields |= {"starts_at": "2026-06-05", "ends_at": "2026-06-12", "reason": "a calm week"}
    kept = quality.post("/trends/chart/baseline", **fields, way="freeze")
    assert kept.status_code == 303
    text = _text(quality.get(address).text)
    assert "frozen by" in text
    assert "A calm week." in text
    told = quality.get(address.replace("/trends/chart", "/api/v1/charts")).get_json()
    assert told["frozen_baseline"]["reason"] == "a calm week"
    assert told["baseline"] == ["2026-06-05T05:00:00Z", "2026-06-13T05:00:00Z"]
    other = quality.get(f"/api/v1/charts?machine=1-1&{PERIOD}").get_json()
    assert other["frozen_baseline"] is None
    # Later events of the machine speak for a new one.
    assert "a new baseline could begin there" in text
    looked = quality.get(f"{address}&baseline_from=2026-06-05&baseline_to=2026-06-20").text
    assert "chosen for this look only" in _text(looked)


def test_the_second_of_two_people_is_told(quality: Visit) -> None:
    page = quality.get(f"/trends/chart?line=1&{PERIOD}").text
    fields = _form(page) | {"starts_at": "2026-06-05", "ends_at": "2026-06-12"}
    first = quality.post("/trends/chart/baseline", **fields, reason="calm", way="freeze")
    assert first.status_code == 303
    fields["ends_at"] = "2026-06-14"
    second = quality.post("/trends/chart/baseline", **fields, reason="calmer", way="freeze")
    assert second.status_code == 409
    text = _text(second.text)
    assert "froze another baseline of this series meanwhile (calm)" in text
    assert _form(second.text)["instead_of"] != fields["instead_of"]
    assert ">calmer</textarea>" in second.text
    again = _form(second.text) | {"starts_at": "2026-06-05", "ends_at": "2026-06-14"}
    third = quality.post("/trends/chart/baseline", **again, reason="calmer", way="freeze")
    assert third.status_code == 303


def test_back_to_all_points(quality: Visit) -> None:
    address = f"/trends/chart?line=2&{PERIOD}"
    fields = _form(quality.get(address).text)
    dates = {"starts_at": "2026-06-05", "ends_at": "2026-06-12"}
    quality.post("/trends/chart/baseline", **fields | dates, reason="calm", way="freeze")
    fields = _form(quality.get(address).text)
    back = quality.post("/trends/chart/baseline", **fields, reason="too short", way="usual")
    assert back.status_code == 303
    text = _text(quality.get(address).text)
    assert "All points shown set the centre" in text
    assert "Too short." in text


@pytest.mark.parametrize(
    ("given", "field", "sentence"),
    [
        ({"starts_at": "x"}, "starts_at", "is not an instant"),
        ({"starts_at": ""}, "starts_at", "is missing"),
        ({"ends_at": "2026-06-01"}, "ends_at", "is not after starts_at"),
        ({"ends_at": "2099-01-01", "starts_at": "2098-01-01"}, "ends_at", "lies ahead"),
        ({"reason": ""}, "reason", "is missing"),
    ],
)
def test_what_is_wrong_with_a_baseline_is_told_at_its_field(
    quality: Visit, given: dict[str, str], field: str, sentence: str
) -> None:
    address = f"/trends/chart?machine=2-1&{PERIOD}"
    fields = _form(quality.get(address).text)
    fields |= {"starts_at": "2026-06-05", "ends_at": "2026-06-12", "reason": "calm"} | given
    refused = quality.post("/trends/chart/baseline", **fields, way="freeze")
    assert refused.status_code in (400, 422)
    [told] = re.findall(rf'id="wrong-freeze-{field}">([^<]*)<', refused.text)
    assert sentence in unescape(told)
    assert "as usual" in _text(quality.get(address).text)


def test_who_may_not_sees_no_form(visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "operator")
    page = visit.get(f"/trends/chart?{PERIOD}").text
    assert "Freeze this baseline" not in page
    assert "can freeze another one" in page
    assert visit.post("/trends/chart/baseline", reason="mine").status_code == 403


def test_events_come_as_files(quality: Visit) -> None:
    told = quality.get(f"/trends/chart/events.csv?machine=1-2&{PERIOD}")
    rows = list(csv.DictReader(io.StringIO(told.text, newline="")))
    api = quality.get(f"/api/v1/charts?machine=1-2&{PERIOD}").get_json()["events"]
    assert [row["what"] for row in rows] == [one["what"] for one in api]
    assert {row["kind"] for row in rows} >= {"coil", "tool fitted"}
    assert quality.get(f"/trends/chart/events.xlsx?{PERIOD}").status_code == 200
    assert quality.get(f"/trends/chart/events.exe?{PERIOD}").status_code == 404


@pytest.mark.parametrize(
    ("choice", "field", "sentence"),
    [
        ("rules=all", "rules", "is not one of: none"),
        ("chart=gaps&evidence=samples", "chart", "takes production"),
        ("evidence=samples", "defect", "choose one kind of defect"),
        ("machine=9-9", "machine", "there is no line 9"),
    ],
)
def test_a_bad_choice_is_told_at_its_field(
    quality: Visit, choice: str, field: str, sentence: str
) -> None:
    answer = quality.get(f"/trends/chart?{choice}")
    assert answer.status_code == 400
    [told] = re.findall(rf'id="wrong-{field}">([^<]*)<', answer.text)
    assert sentence in unescape(told)


def test_the_number_of_statements_does_not_grow_with_the_period(
    quality: Visit, own_engine: Engine
) -> None:
    recorder = Statements(own_engine)
    sent = []
    for start in ("2026-06-25", "2026-06-10"):
        with recorder.counted() as texts:
            address = f"/trends/chart?from={start}&to=2026-06-30&chart=u"
            assert quality.get(address).status_code == 200
        sent.append(len(texts))
    recorder.close()
    assert sent[0] == sent[1] <= 36, sent


def _form(page: str) -> dict[str, str]:
    """The hidden fields of the form that freezes a baseline."""
    form = page[page.index('action="/trends/chart/baseline"') :]
    names = ("line", "bodymaker", "evidence", "of", "instead_of", "query")
    found = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form))
    return {name: unescape(found[name]) for name in names}
