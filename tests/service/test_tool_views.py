"""The pages of tools: the list, one tool's card, and recording what was done to it."""

import re
from html import unescape

import pytest
from sqlalchemy import Engine, select

from tests.support.site import Cast, Visit
from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tracelog.audit import AuditRecord, broken_links
from tracelog.db import reading, writing
from tracelog.plant.models import ToolWork
from tracelog.plant.tool_facts import ToolWorkKind, work_words

CARD = "/service/tools/R3-7"
# 08:00 of 3 March in Madrid; the tests happen on 4 March, 10:30.
WORK = {"work": "regrind", "done_at": "2026-03-03T08:00", "size_mm": "66.1825", "note": "one step"}


@pytest.fixture
def planner(visit: Visit, cast: Cast, own_engine: Engine) -> Visit:
    """The planner on a plant with a ring that was ground once, one in use and one never fitted."""
    with writing(own_engine) as session:
        plant.write_plant(session)
        plant.write_readings(session)
        plant.write_tools(
            session, {"R3-7": 2 * plant.MILLION, "P/1 a": None, "X": None, "new <b>": None}
        )
        plant.fit(session, "R3-7", "1-1", "ring-3", 10, 110, "worn")
        plant.work(session, "R3-7", 120, "regrind", size_mm=66.18)
        plant.fit(session, "R3-7", "1-2", "ring-3", 200)
        plant.fit(session, "P/1 a", "1-1", "punch", 0)
        plant.fit(session, "X", "2-1", "punch", 10, 20, "broken")
        plant.work(session, "X", 30, "scrap")
    cast.sign_in(visit, "planner")
    return visit


def cells(markup: str) -> list[list[str]]:
    """The cells of all rows of tables, as people read them."""
    rows = re.findall(r"<tr>(.*?)</tr>", markup, flags=re.DOTALL)
    return [
        [
            unescape(" ".join(re.sub(r"<[^>]+>", "", cell).split()))
            for cell in re.findall(r"<t[hd].*?>(.*?)</t[hd]>", row, flags=re.DOTALL)
        ]
        for row in rows
    ]


def wrong(markup: str) -> dict[str, str]:
    found = re.findall(r'class="wrong" id="wrong-([\w-]+)">([^<]*)<', markup)
    return {field: unescape(sentence) for field, sentence in found}


def kept(engine: Engine) -> list[tuple[str, float | None, str | None]]:
    with reading(engine) as session:
        found = session.execute(select(ToolWork).order_by(ToolWork.done_at)).scalars()
        return [(one.work, one.size_mm, one.note) for one in found]


def test_the_list_shows_tools_in_machines_by_share_of_life(planner: Visit) -> None:
    rows = [row for row in cells(planner.get("/service/tools").text) if row[0] != "Tool"]
    assert [row[0] for row in rows] == ["R3-7", "P/1 a"]
    # 520 hours at 24,000 strokes since the grind, and 100 hours at 12,000 before it.
    assert rows[0][1:] == ["624 %", "12.5 M of 2.00 M", "1-2 ring-3", "", "13.7 M", "1"]
    assert rows[1][1:] == ["–", "at least 8.64 M", "1-1 punch", "", "at least 8.64 M", "0"]


@pytest.mark.parametrize(
    ("query", "serials"),
    [
        ("state=tool-room", ["new <b>"]),
        ("state=scrapped", ["X"]),
        ("state=all", ["R3-7", "P/1 a", "X", "new <b>"]),
        ("search=r3", ["R3-7"]),
        ("search=x", ["X"]),
        ("search=x&state=in-use", []),
        ("search=zzz", []),
    ],
)
def test_tools_are_found_by_place_and_serial(
    planner: Visit, query: str, serials: list[str]
) -> None:
    page = planner.get(f"/service/tools?{query}").text
    assert [row[0] for row in cells(page) if row[0] != "Tool"] == serials
    assert ("No such tools" in page) == (not serials)


def test_a_long_list_is_turned_page_by_page(planner: Visit, own_engine: Engine) -> None:
    with writing(own_engine) as session:
        plant.write_tools(session, {f"T-{number:03}": None for number in range(130)})
    first = planner.get("/service/tools?state=tool-room&search=T-").text
    assert "1 to 100 of 130" in first
    (following,) = re.findall(r'rel="next" href="([^"]+)"', first)
    second = planner.get(unescape(following)).text
    assert "101 to 130 of 130" in second
    assert 'rel="next"' not in second
    assert "T-000" in first
    assert "T-129" in second
    for number in ("3", "0", "x"):
        assert planner.get(f"/service/tools?state=all&page={number}").status_code == 404
    assert planner.get("/service/tools?state=lost").status_code == 404


def test_the_card_tells_lives_stays_and_works(planner: Visit) -> None:
    page = planner.get(CARD).text
    rows = cells(page)
    assert ["2", "2026-02-07 06:00", "goes on", "", "1-2 ring-3", "12,480,000"] in rows
    assert ["1", "2026-02-02 16:00", "2026-02-06 20:00", "worn", "1-1 ring-3", "1,200,000"] in rows
    assert ["2026-02-07 06:00", "regrind", "66.1800", "", ""] in rows
    assert "12,480,000" in page
    assert "13,680,000" in page
    assert 'href="/trace?tool=R3-7"' in page
    assert "tool room and to trained people" in page


def test_the_card_says_how_often_such_a_tool_is_usually_restored(
    planner: Visit, own_engine: Engine
) -> None:
    assert "usual before scrap" not in planner.get(CARD).text
    with writing(own_engine) as session:
        plant.describe_tool(session, "R3-7", "ring-3")
    assert "usual before scrap: 4 to 8" in planner.get(CARD).text


def test_a_serial_may_hold_any_sign(planner: Visit) -> None:
    page = planner.get("/service/tools?state=all").text
    for address, serial in (("P/1%20a", "P/1 a"), ("new%20%3Cb%3E", "new &lt;b&gt;")):
        assert f'href="/service/tools/{address}"' in page
        assert f"Tool {serial}" in planner.get(f"/service/tools/{address}").text
    assert planner.get("/service/tools/R3-8").status_code == 404
    assert planner.get("/service/tools/" + "x" * 300).status_code == 404


def test_work_is_kept_and_the_count_begins_again(planner: Visit, own_engine: Engine) -> None:
    planner.get(CARD)
    answer = planner.post(CARD, **WORK)
    assert (answer.status_code, answer.location) == (303, CARD)
    assert ("regrind", 66.1825, "one step") in kept(own_engine)
    page = planner.get(CARD).text
    assert "Kept: regrind of R3-7." in page
    # Still in 1-2 on record: said, and counted from the work on. 22 hours of 24,000 follow it.
    assert "is on record while the tool was in 1-2 ring-3" in page
    assert "528,000" in page
    with reading(own_engine) as session:
        record = (
            session.execute(select(AuditRecord).order_by(AuditRecord.sequence.desc()))
            .scalars()
            .first()
        )
        assert record is not None
        assert (record.action, record.actor, record.door) == ("record tool works", "pedro", "page")
        assert broken_links(session) == []


def test_the_same_work_sent_twice_is_kept_once(planner: Visit, own_engine: Engine) -> None:
    planner.get(CARD)
    before = len(kept(own_engine))
    assert [planner.post(CARD, **WORK).status_code for _ in range(2)] == [303, 303]
    assert len(kept(own_engine)) == before + 1


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"work": ""}, "work", "is missing"),
        ({"work": "grind"}, "work", "is not one of: regrind, polish"),
        ({"done_at": ""}, "done_at", "is missing"),
        ({"done_at": "2026-03-29T02:30"}, "done_at", "does not exist"),
        ({"done_at": "2026-03-04T12:00"}, "done_at", "lies ahead"),
        ({"size_mm": "66,18"}, "size_mm", "is not a number"),
        ({"strokes_before": "5"}, "strokes_before", "only 'on-record' tells"),
        (
            {"work": "on-record", "strokes_before": "5", "strokes_before_since_work": "6"},
            *("strokes_before_since_work", "is more than strokes_before (5)"),
        ),
        ({"note": "x" * 4001}, "note", "4001 characters"),
    ],
)
def test_what_is_wrong_is_told_at_its_field_and_nothing_is_kept(
    planner: Visit, own_engine: Engine, change: dict[str, str], field: str, words: str
) -> None:
    planner.get(CARD)
    before = kept(own_engine)
    answer = planner.post(CARD, **{**WORK, **change})
    assert answer.status_code == 422
    told = wrong(answer.text)
    assert set(told) == {field}
    assert words in told[field]
    assert kept(own_engine) == before


def test_another_size_for_the_same_work_is_a_conflict(planner: Visit) -> None:
    planner.get(CARD)
    planner.post(CARD, **WORK)
    answer = planner.post(CARD, **{**WORK, "size_mm": "66.2"})
    assert answer.status_code == 409
    assert "contradicts '66.1825'" in wrong(answer.text)["size_mm"]


def test_a_scrapped_tool_that_was_fitted_again_is_pointed_out(
    planner: Visit, own_engine: Engine
) -> None:
    with writing(own_engine) as session:
        plant.fit(session, "X", "2-1", "ring-1", 40)
    page = planner.get("/service/tools/X").text
    assert "It was scrapped on 2026-02-03 12:00 and fitted in 2-1 ring-1 after that" in page


def test_who_may_not_record_sees_no_form_and_is_refused(
    planner: Visit, cast: Cast, own_engine: Engine
) -> None:
    assert "Keep the work" in planner.get(CARD).text
    cast.sign_in(planner, "operator")
    page = planner.get(CARD).text
    assert "Keep the work" not in page
    before = kept(own_engine)
    assert planner.post(CARD, **WORK).status_code == 403
    assert kept(own_engine) == before


def test_every_kind_of_work_has_its_words() -> None:
    assert set(work_words()) == {kind.value for kind in ToolWorkKind}


def test_the_number_of_statements_of_the_list_does_not_grow(
    planner: Visit, own_engine: Engine, statements: Statements
) -> None:
    def counted() -> int:
        with statements.counted() as made:
            assert planner.get("/service/tools?state=all").status_code == 200
        return len(made)

    before = counted()
    with writing(own_engine) as session:
        plant.write_tools(session, {f"T-{number}": None for number in range(9)})
        for number in range(9):
            plant.fit(session, f"T-{number}", "1-2", f"position {number}", 10, 20, "worn")
            plant.work(session, f"T-{number}", 30, "regrind")
    assert counted() == before
