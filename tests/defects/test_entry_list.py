"""The list of entries: what it holds, its pages, and what it says of bad choices."""

import re
from html import unescape

import pytest

from tests.support.site import Cast, Visit

pytestmark = pytest.mark.small_plant


@pytest.fixture
def quality(visit: Visit, cast: Cast) -> Visit:
    """A visitor signed in as quality."""
    cast.sign_in(visit, "quality")
    return visit


def _rows(html: str) -> list[str]:
    return re.findall(r'<th scope="row" class="close"><a href="/log/([0-9a-f-]{36})"', html)


def test_the_list_holds_what_the_api_tells(quality: Visit) -> None:
    asked = "machine=1-2&from=2026-06-05&to=2026-06-20&kind=production"
    told = quality.get(f"/api/v1/defects?{asked}&limit=100").get_json()["defects"]
    assert len(told) > 3
    assert _rows(quality.get(f"/log/entries?{asked}").text) == [one["id"] for one in told]


def test_pages_follow_each_other_without_a_gap(quality: Visit) -> None:
    found: list[str] = []
    address = "/log/entries"
    while address and len(found) < 2_000:
        page = quality.get(address).text
        found += _rows(page)
        later = re.findall(r'rel="next" href="([^"]*)"', page)
        address = unescape(later[0]) if later else ""
    told = quality.get("/api/v1/defects?limit=10000").get_json()["defects"]
    assert found == [one["id"] for one in told]
    assert len(found) > 100


@pytest.mark.parametrize(
    ("choice", "field", "sentence"),
    [
        ("machine=9-9", "machine", "there is no line 9"),
        ("defect=nothing", "defect", "nothing"),
        ("from=x", "from", "&#39;x&#39; is not an instant"),
        ("from=2026-06-09&to=2026-06-01", "to", "is not after from"),
    ],
)
def test_a_bad_choice_is_told_at_its_field(
    quality: Visit, choice: str, field: str, sentence: str
) -> None:
    answer = quality.get(f"/log/entries?{choice}")
    assert answer.status_code == 400
    [told] = re.findall(rf'id="wrong-{field}">([^<]*)<', answer.text)
    assert sentence in told
    assert _rows(answer.text) == []


def test_a_place_that_is_none_and_a_name_nobody_knows_are_told(quality: Visit) -> None:
    for choice in ("cursor=nowhere", "colour=red"):
        answer = quality.get(f"/log/entries?{choice}")
        assert answer.status_code == 400
        assert 'id="faults"' in answer.text


def test_nothing_found_says_what_to_do(quality: Visit) -> None:
    answer = quality.get("/log/entries?from=2020-01-01&to=2020-01-02")
    assert "No entry matches this" in answer.text
