"""The page of suspect cans, its files, and the same by API."""

import csv
import io
import re
from html import unescape

import pytest
from sqlalchemy import Engine

from tests.support.site import Cast, Visit
from tests.trace import two_lines as plant
from tracelog.db import writing
from tracelog.plant.facts import PalletFact
from tracelog.plant.stock_actions import record_pallets

# Plant time is UTC + 1: hour 30 is 12:00 on the day after the history begins.
ASKED = "/trace/suspects?machine=1-1&defect=split"
WINDOW = ASKED + ("&bad_at=2026-02-03T12:00&good_at=2026-02-03T10:00&repaired_at=2026-02-03T14:00")


@pytest.fixture
def somebody(visit: Visit, cast: Cast, own_engine: Engine) -> Visit:
    """A visitor signed in on a plant with a defect, a check before it and a repair after."""
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session, 60)
        plant.write_levels(session)
        pallets = [
            PalletFact(
                pallet=f"W-{quarter}",
                line=1,
                started_at=plant.hour(quarter / 4),
                ended_at=plant.hour((quarter + 1) / 4),
                cans=8169,
            )
            for quarter in range(20 * 4, 48 * 4)
        ]
        plant.kept(record_pallets(session, pallets, plant.ACTOR, plant.WRITTEN_AT))
        plant.log(session, 28, "1-1", cans=0, inspected=20)
        plant.log(session, 30, "1-1")
        plant.serve(session, "1-1", "minor", 32)
        plant.log(session, 33, "1-1", cans=0, inspected=50)
    cast.sign_in(visit, "quality")
    return visit


def words(markup: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", markup)).split())


def wrong(markup: str) -> dict[str, str]:
    found = re.findall(r'class="wrong" id="wrong-([\w-]+)">([^<]*)<', markup)
    return {field: unescape(sentence) for field, sentence in found}


def test_without_a_question_the_page_asks(somebody: Visit) -> None:
    page = somebody.get("/trace/suspects")
    assert page.status_code == 200
    assert "Nothing asked yet" in page.text
    assert 'href="/trace/suspects"' in somebody.get("/trace").text
    machine = somebody.get("/machines/1/bodymaker/1").text
    assert 'href="/trace/suspects?machine=1-1"' in machine
    filled = somebody.get("/trace/suspects?machine=1-1")
    assert (filled.status_code, wrong(filled.text)) == (200, {})


def test_the_record_gives_the_window_with_its_basis(somebody: Visit) -> None:
    text = words(somebody.get(ASKED).text)
    for part in (
        "Made from 2026-02-03 10:00 to 2026-02-03 15:00",
        "Last good check that could have seen it: 0 of 20 cans with split, taken 2026-02-03 10:00",
        "only a fault in more than 13.9 % of the cans",
        "the bad can asked about, made 2026-02-03 12:00",
        "First good check after the repair: 0 of 50 cans with split, taken 2026-02-03 15:00",
        "service (minor), 2026-02-03 14:00",
        "it takes 2,995 cans",
        "Hold, release, concession and recall belong to the plant's named quality authority",
        "60,000 strokes; its own scrap is among them",
        "Put these pallets on hold",
        "plain rule",
        "To see a fault in 0.1 % of the cans with 95 % chance, look at 2,995",
    ):
        assert part in text, part


def test_a_person_s_times_overrule_the_record(somebody: Visit) -> None:
    text = words(
        somebody.get(ASKED + "&good_at=2026-02-03T11:00&repaired_at=2026-02-03T13:00").text
    )
    assert "Made from 2026-02-03 11:00 to 2026-02-03 13:00" in text
    assert "the last good time given, 2026-02-03 11:00" in text
    assert "24,000 strokes" in text


def test_without_a_check_the_start_is_not_known_and_said_so(somebody: Visit) -> None:
    text = words(
        somebody.get("/trace/suspects?machine=1-2&defect=split&bad_at=2026-02-03T12:00").text
    )
    assert "The start is not known. Nothing here narrows a hold." in text
    assert "Hold everything until the quality authority has decided" in text


def test_the_hold_is_one_link_away_and_lists_the_same_pallets(somebody: Visit) -> None:
    page = somebody.get(WINDOW).text
    (address,) = re.findall(r'href="(/holds/new\?[^"]+)"', page)
    assert "machine=1-1" in address
    assert "risk=0.01" in address
    table = list(
        csv.DictReader(
            io.StringIO(somebody.get(WINDOW.replace("/suspects?", "/suspects/pallets.csv?")).text)
        )
    )
    held = [row["pallet"] for row in table if row["hold"] == "yes"]
    assert held
    new = somebody.get(unescape(address))
    assert new.status_code == 200
    listed = re.search(r"<textarea[^>]*name=\"pallets\"[^>]*>([^<]*)<", new.text)
    assert listed is not None
    assert listed.group(1).split() == held


def test_the_list_is_a_workbook_too(somebody: Visit) -> None:
    file = somebody.get(WINDOW.replace("/suspects?", "/suspects/pallets.xlsx?"))
    assert (file.status_code, file.data[:2]) == (200, b"PK")
    assert somebody.get(WINDOW.replace("/suspects?", "/suspects/pallets.pdf?")).status_code == 404


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
@pytest.mark.parametrize(
    ("asked", "field", "sentence"),
    [
        ("machine=9-9&defect=split", "machine", "there is no line 9"),
        ("machine=1 washer 1&defect=split", "machine", "is no bodymaker"),
        ("defect=split", "machine", "is missing"),
        ("machine=1-2&defect=split", "bad_at", "is missing"),
        ("machine=1-2&defect=split&bad_at=noon", "bad_at", "is not an instant"),
        ("machine=1-2&defect=split&bad_at=2027-01-01T00:00", "bad_at", "lies ahead"),
        (
            "machine=1-1&defect=split&good_at=2026-02-03T13:00&bad_at=2026-02-03T12:00",
            "good_at",
            "is not before the bad can",
        ),
        (
            "machine=1-1&defect=split&repaired_at=2026-02-03T11:00&bad_at=2026-02-03T12:00",
            "repaired_at",
            "when the fault was still there",
        ),
        ("machine=1-1&defect=split&risk=2", "risk", "is not between 0 and 1"),
        ("machine=1-1&defect=split&risk=x", "risk", "is not a number"),
        ("machine=1-1&defect=split&fraction=0", "fraction", "is not between 0 and 1"),
        ("machine=1-1&defect=split&slack=-1", "slack", "-1"),
        ("machine=1-1&defect=split&aql=0.7", "aql", "is not one of"),
        ("machine=1-1&defect=split&level=IV", "level", "is not one of"),
        ("machine=1-1&defect=split&lot=1", "lot", "1"),
    ],
)
def test_a_bad_field_gets_one_sentence(
    somebody: Visit, asked: str, field: str, sentence: str
) -> None:
    page = somebody.get(f"/trace/suspects?{asked}")
    assert page.status_code == 400
    told = wrong(page.text)
    assert list(told) == [field]
    assert sentence in told[field]


def test_the_api_answers_the_same(somebody: Visit) -> None:
    answer = somebody.get(WINDOW.replace("/trace/", "/api/v1/") + "&fraction=2%25&lot=8000").json
    assert answer["machines"] == ["1-1"]
    assert answer["suspect_strokes"] == 4 * 12_000
    assert answer["expected_defective"] == pytest.approx(0.02 * 48_000)
    assert answer["last_good"]["is_known"]
    assert answer["held"]["pallets"] == sum(one["hold"] for one in answer["pallets"])
    assert answer["held"]["pallets"] < answer["naive"]["pallets"]
    assert [one["kind"] for one in answer["checks"]] == ["sample", "sample"]
    # A defect of which nobody has said what it does is taken for one that may leak.
    assert (answer["sampling"]["size"], answer["sampling"]["accept"]) == (200, 0)
    wrong_name = somebody.get("/api/v1/suspects?machine=1-1&goodat=x")
    assert wrong_name.status_code == 400
    assert somebody.get("/api/v1/suspects?machine=9-9&defect=split").status_code == 400


def test_either_of_two_machines_needs_a_hold_for_each(somebody: Visit) -> None:
    page = somebody.get(WINDOW.replace("machine=1-1", "machine=1-1,1-2")).text
    assert len(re.findall(r'href="/holds/new\?', page)) == 2
    assert "Several machines may have made the cans" in words(page)
