"""The pad of the Log: what is tapped is kept once, and what is wrong is told where it is."""

import re
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from flask import Flask
from sqlalchemy import Engine

from tests.defects.log_site import LogSite
from tests.support.clock import Clock
from tests.support.markup import form_on, seen, summary, wrong
from tests.support.site import Cast, Visit
from tests.support.statements import Statements
from tracelog.db import new_id
from tracelog.defects.pad import OFFER_FIELDS, PAD_FIELDS
from tracelog.defects.photos.sent import PHOTO_FIELD

# For each field of the pad something that is not right: what is tapped, where it is told, and
# some words of it.
WRONG = {
    "id": ({"id": "17"}, None, "is not a UUID"),
    "line": ({"line": "9"}, "number", "line 9"),
    "number": ({"number": "seven"}, "number", "'1-seven' is not a dome code"),
    "as_read": ({"number": "77", "as_read": "perhaps"}, "as_read", "no machine bears 1-77"),
    "seen_at": ({"seen_at": "2026-03-29T02:30"}, "seen_at", "does not exist in Europe/Madrid"),
    "made_at": ({"made_at": "yesterday"}, "made_at", "'yesterday' is not an instant"),
    "defect": ({"defect": "spilt"}, "defect", "near it: split"),
    "cans": ({"cans": "two"}, "cans", "'two' is not a whole number"),
    "occurrences": ({"occurrences": "3", "cans": "2"}, "occurrences", "more than the 2 cans"),
    "inspected": ({"inspected": "-5"}, "inspected", "is out of range"),
    "found_at": ({"found_at": "x" * 81}, "found_at", "at most 80 are kept"),
    "coil": ({"coil": "a\u0007b"}, "coil", "has a control character"),
    "pallet": ({"pallet": "x" * 81}, "pallet", "at most 80 are kept"),
    "mark": ({"mark": "x" * 81}, "mark", "at most 80 are kept"),
    "note": ({"note": "x" * 4001}, "note", "is 4001 characters long; at most 4000"),
}


def test_what_is_tapped_is_kept_and_shown_at_once(log_site: LogSite) -> None:
    answer = log_site.tap(line="1", number="12", defect="wrinkle", cans="3", note="at the rim")
    assert (answer.status_code, answer.location) == (303, "/log")
    kept = log_site.last()
    assert (kept.dome_code, kept.defect, kept.cans, kept.note) == (
        "1-12",
        "wrinkle",
        3,
        "at the rim",
    )
    assert kept.machine is not None
    assert (kept.machine.text, kept.logged_by) == ("1-12", "Olga")
    assert kept.seen_at == kept.logged_at
    page = log_site.visit.get("/log").text
    assert "Kept: 1-12 wrinkle, 3." in page
    assert f'href="/log/{kept.id}"' in page
    record = log_site.last_audit()
    assert (record.action, record.actor, record.door) == ("log entries", "olga", "page")


def test_every_field_of_the_pad_has_its_bad_case(log_site: LogSite) -> None:
    asked = set(form_on(log_site.visit.get("/log").text, "/log")) - {*OFFER_FIELDS, PHOTO_FIELD}
    assert asked == set(PAD_FIELDS) - {"as_read"}
    assert set(WRONG) == set(PAD_FIELDS)


@pytest.mark.parametrize("field", WRONG)
def test_a_field_that_is_wrong_is_told_there_and_nothing_is_written(
    log_site: LogSite, field: str
) -> None:
    tapped, told_at, words = WRONG[field]
    before = log_site.counted()
    answer = log_site.tap(**({"note": "kept as typed"} | tapped))
    assert answer.status_code == 422
    faults = wrong(answer)
    assert list(faults) == ([told_at] if told_at else [])
    assert words in faults.get(told_at or "", summary(answer))
    assert words in summary(answer)
    assert log_site.counted() == before
    if field not in {"note", "id", "as_read"}:
        again = form_on(answer.text, "/log")
        assert again["note"] == "kept as typed"
        assert again["line"] == tapped.get("line", "1") or field == "line"


@pytest.mark.parametrize(
    ("tapped", "told_at", "words"),
    [
        ({"defect": ""}, "defect", "is missing"),
        ({"seen_at": "2026-03-04T10:31"}, "seen_at", "lies ahead"),
        ({"seen_at": "2026-10-25T02:30"}, "seen_at", "occurs twice"),
        ({"made_at": "2026-03-04T10:31"}, "made_at", "is after seen_at"),
        ({"cans": "0"}, "cans", "or give inspected"),
        ({"cans": "6", "inspected": "5"}, "cans", "6 bad cans are more than the 5 inspected"),
        ({"cans": "", "inspected": "5"}, "cans", "0 if none"),
        ({"line": "?", "number": "77"}, "as_read", "every line has 1, 2, 12"),
        ({"line": "2", "number": "12"}, "as_read", "line 2 has 1."),
    ],
)
def test_fields_that_do_not_fit_each_other_are_told(
    log_site: LogSite, tapped: dict[str, str], told_at: str, words: str
) -> None:
    before = log_site.counted()
    answer = log_site.tap(**tapped)
    assert answer.status_code == 422
    assert list(wrong(answer)) == [told_at]
    assert words in wrong(answer)[told_at]
    assert log_site.counted() == before


@pytest.mark.parametrize(
    ("tapped", "code", "candidates"),
    [
        ({"line": "1", "number": "?"}, "1-?", ["1-1", "1-2"]),
        ({"line": "?", "number": "1"}, "?-1", ["1-1", "2-1"]),
        ({"line": "", "number": "12"}, "?-12", ["1-12"]),
        ({"line": "", "number": ""}, None, ["1-1", "1-2", "1-12", "2-1"]),
    ],
)
def test_a_code_that_nobody_could_read_whole_is_kept_with_its_candidates(
    log_site: LogSite, tapped: dict[str, str], code: str | None, candidates: list[str]
) -> None:
    assert log_site.tap(**tapped).status_code == 303
    kept = log_site.last()
    assert kept.dome_code == code
    assert [machine.text for machine in kept.candidates] == candidates
    assert (kept.machine is None) == (len(candidates) > 1)
    page = seen(log_site.visit.get(f"/log/{kept.id}").text)
    assert all(machine in page for machine in candidates)


def test_a_code_that_no_machine_bears_is_kept_once_the_can_says_so(log_site: LogSite) -> None:
    asked = log_site.tap(number="77", defect="wrinkle")
    assert 'name="as_read" value="yes"' in asked.text
    assert 'class="defect-tile is-chosen" name="defect" value="wrinkle"' in asked.text
    again = form_on(asked.text, "/log")
    sent = {**again, "number": "77", "defect": "wrinkle", "as_read": "yes"}
    assert log_site.visit.post("/log", **sent).status_code == 303
    kept = log_site.last()
    assert (kept.dome_code, kept.machine, kept.line) == ("1-77", None, 1)
    assert "none bears it" in seen(log_site.visit.get("/log").text)


def test_a_sample_may_hold_no_bad_can(log_site: LogSite) -> None:
    assert log_site.tap(cans="0", inspected="200").status_code == 303
    kept = log_site.last()
    assert (kept.cans, kept.inspected, kept.counted_occurrences) == (0, 200, 0)
    assert "Kept: 1-1 split, 0 of 200 inspected." in log_site.visit.get("/log").text


def test_where_it_was_found_is_remembered_for_the_next_can(log_site: LogSite) -> None:
    answer = log_site.tap(found_at="light-tester")
    assert answer.location == "/log?found_at=light-tester"
    page = log_site.visit.get(answer.location).text
    assert form_on(page, "/log")["found_at"] == "light-tester"
    assert form_on(page, "/log")["line"] == ""
    typed = log_site.type("1-1 split", found_at="light-tester")
    assert typed.location == "/log?found_at=light-tester"
    odd = log_site.tap(found_at='the "old" bench & sons')
    page = log_site.visit.get(odd.location).text
    assert form_on(page, "/log")["found_at"] == 'the "old" bench & sons'


def test_a_form_sent_twice_is_kept_once(log_site: LogSite, clock: Clock) -> None:
    sent = {"id": new_id(), "cans": "2"}
    assert log_site.tap(**sent).status_code == 303
    before = log_site.counted()
    clock.forward(timedelta(seconds=3))
    assert log_site.tap(**sent).status_code == 303
    assert log_site.counted() == before


def test_a_form_sent_twice_with_something_else_is_refused_and_can_be_sent_as_another_can(
    log_site: LogSite, clock: Clock
) -> None:
    sent = {"id": str(new_id()), "cans": "2"}
    log_site.tap(**sent)
    before = log_site.counted()
    clock.forward(timedelta(seconds=3))
    answer = log_site.tap(**(sent | {"defect": "wrinkle"}))
    assert answer.status_code == 409
    assert "this form was sent before, and kept as 1-1 split, 2" in summary(answer)
    assert 'href="#field-id"' not in answer.text
    assert log_site.counted() == before
    fresh = form_on(answer.text, "/log")["id"]
    assert fresh != sent["id"]
    assert log_site.tap(**(sent | {"defect": "wrinkle", "id": fresh})).status_code == 303
    assert log_site.last().defect == "wrinkle"


def test_two_taps_at_the_same_moment_are_kept_once(
    log_site: LogSite, application: Flask, cast: Cast
) -> None:
    sites = []
    for _each in range(2):
        visit = Visit(application.test_client())
        cast.sign_in(visit, "operator")
        visit.get("/log")
        sites.append(LogSite(visit, log_site.engine))
    sent = {"id": new_id(), "note": "twice"}
    before = log_site.counted()
    with ThreadPoolExecutor(2) as pool:
        answers = list(pool.map(lambda site: site.tap(**sent), sites))
    assert [answer.status_code for answer in answers] == [303, 303]
    assert log_site.counted() == [before[0] + 1, before[1] + 1, before[2], before[3] + 1]


@pytest.mark.parametrize("path", ["/log", "/log/typed"])
def test_who_has_not_signed_in_or_comes_from_elsewhere_logs_nothing(
    log_site: LogSite, application: Flask, path: str
) -> None:
    before = log_site.counted()
    fields = {"line": "1", "number": "1", "defect": "split", "cans": "1", "typed": "1-1 split"}
    stranger = Visit(application.test_client())
    assert stranger.post(path, **fields).status_code == 401
    forged = log_site.visit.client.post(path, data=fields)
    assert forged.status_code == 400
    wrong_proof = log_site.visit.client.post(path, data={**fields, "csrf_token": "x"})
    assert wrong_proof.status_code == 400
    assert log_site.counted() == before


@pytest.mark.parametrize("role", ["operator", "planner", "supervisor", "quality", "administrator"])
def test_everybody_with_an_account_may_log(log_site: LogSite, cast: Cast, role: str) -> None:
    log_site.visit.post("/sign-out")
    person = cast.sign_in(log_site.visit, role)
    log_site.visit.get("/log")
    assert log_site.tap().status_code == 303
    assert log_site.last().logged_by == person.name.title()


def tiles(html: str) -> list[str]:
    return re.findall(r'class="defect-tile[^"]*" name="defect" value="([^"]+)"', html)


def test_defects_come_in_the_order_in_which_the_line_logged_them_lately(
    log_site: LogSite,
) -> None:
    for _each in range(2):
        log_site.tap(line="1", defect="wrinkle")
        log_site.tap(line="2", defect="short-can")
    log_site.tap(line="2", defect="short-can")
    everywhere, line_1, line_2 = (
        tiles(log_site.visit.get(path).text) for path in ("/log", "/log?line=1", "/log?line=2")
    )
    assert everywhere[:2] == ["short-can", "wrinkle"]
    assert line_1[0] == "wrinkle"
    assert line_2[0] == "short-can"
    assert sorted(everywhere) == sorted(line_1) == sorted(line_2)


@pytest.mark.parametrize("line", ["9", "?", "9" * 5000, "\u0663", "-1", "<b>"])
def test_a_line_in_the_address_that_is_none_does_no_harm(log_site: LogSite, line: str) -> None:
    answer = log_site.visit.get(f"/log?line={line}&number={line}")
    assert answer.status_code == 200
    assert "<b>" not in re.findall(r'<form method="post" action="/log" .*?>', answer.text)[0]


def test_the_page_asks_the_same_number_of_questions_however_much_is_logged(
    log_site: LogSite, own_engine: Engine
) -> None:
    statements = Statements(own_engine)
    sent = []
    for more in (1, 12):
        for _each in range(more):
            log_site.tap(number="?")
        with statements.counted() as texts:
            log_site.visit.get("/log")
        sent.append(len(texts))
    statements.close()
    assert sent[0] == sent[1] <= 20


HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7 * 7 }} {% raise %} %(name)s",
    "\u202e\u2066 right to left \u200f",
    "x" * 4000,
]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_shown_as_text(log_site: LogSite, text: str) -> None:
    mark = text[:80].strip()
    assert log_site.tap(note=text, mark=mark, found_at=mark).status_code == 303
    kept = log_site.last()
    assert (kept.note, kept.mark) == (text.strip(), mark)
    for page in (f"/log/{kept.id}", "/log", f"/log?found_at={mark}"):
        answer = log_site.visit.get(page)
        assert answer.status_code == 200
        assert "<script>alert" not in answer.text
        assert "<img src=x" not in answer.text
    filled = form_on(log_site.visit.get(f"/log/{kept.id}").text, f"/log/{kept.id}")
    assert (filled["note"], filled["mark"], filled["found_at"]) == (text.strip(), mark, mark)
