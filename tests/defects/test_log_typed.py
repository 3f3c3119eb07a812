"""The typed line of the Log: one can in one line, kept once, and told plainly what is wrong."""

from datetime import timedelta

import pytest

from tests.defects.log_site import LogSite
from tests.support.clock import Clock
from tests.support.markup import form_on, summary, wrong
from tracelog.db import new_id


@pytest.mark.parametrize(
    ("line", "code", "defect", "cans", "inspected", "found_at", "note"),
    [
        ("1-2 split 2", "1-2", "split", 2, None, None, None),
        ("01/12 wri", "1-12", "wrinkle", 1, None, None, None),
        (
            "1.1 short 0/200 @light # all good",
            "1-1",
            "short-can",
            0,
            200,
            "light-tester",
            "all good",
        ),
        ("1-? split body 3", "1-?", "split", 3, None, None, None),
        ("split 2", None, "split", 2, None, None, None),
    ],
)
def test_one_line_is_one_entry(
    log_site: LogSite,
    line: str,
    code: str | None,
    defect: str,
    cans: int,
    inspected: int | None,
    found_at: str | None,
    note: str | None,
) -> None:
    assert log_site.type(line).status_code == 303
    kept = log_site.last()
    assert (kept.dome_code, kept.defect, kept.cans) == (code, defect, cans)
    assert (kept.inspected, kept.found_at, kept.note) == (inspected, found_at, note)
    assert (kept.logged_by, kept.seen_at) == ("Olga", kept.logged_at)
    assert log_site.last_audit().action == "log entries"


def test_the_form_has_these_fields(log_site: LogSite) -> None:
    fields = form_on(log_site.visit.get("/log").text, "/log/typed")
    assert set(fields) == {"id", "found_at", "typed"}


@pytest.mark.parametrize(
    ("typed", "told_at", "words"),
    [
        ("", "typed", "is missing; type dome code and defect"),
        ("1-2", "typed", "is missing; type it after the dome code"),
        ("1-2 spilt", "typed", "near it: split"),
        ("1-2 s", "typed", "can be"),
        ("1x2 split", "typed", "is not a dome code"),
        ("9-1 split", "typed", "line 9"),
        ("1-77 split", "as_read", "line 1 has 1, 2, 12"),
        ("1-2 split 2 3", "typed", "is typed twice"),
        ("1-2 split 0", "typed", "at least 1 can"),
        ("1-2 split 7/5", "typed", "more than the 5 inspected"),
        ("1-2 split 3x 2", "typed", "3 separate happenings are more than the 2 cans"),
        ("1-2 split @nowhere", "typed", "is not a station"),
        ("1-2 split # " + "x" * 4001, "typed", "at most 4000 are kept"),
        ("1-2 split # a\u0007b", "typed", "has a control character"),
        ("1-2 split " + "x" * 5000, "typed", "the line is too long"),
    ],
)
def test_a_line_that_cannot_be_kept_is_told_at_the_line_and_stays_typed(
    log_site: LogSite, typed: str, told_at: str, words: str
) -> None:
    before = log_site.counted()
    answer = log_site.type(typed, found_at="trimmer")
    assert answer.status_code == 422
    assert list(wrong(answer)) == [told_at]
    assert words in wrong(answer)[told_at]
    assert log_site.counted() == before
    again = form_on(answer.text, "/log/typed")
    assert again["typed"] == typed.strip()
    assert again["found_at"] == "trimmer"


def test_an_id_that_is_none_is_told_once_and_replaced(log_site: LogSite) -> None:
    before = log_site.counted()
    answer = log_site.type("1-2 split", id="17")
    assert answer.status_code == 422
    assert "is not a UUID" in summary(answer)
    assert log_site.counted() == before
    again = form_on(answer.text, "/log/typed")
    assert log_site.visit.post("/log/typed", **again).status_code == 303


def test_a_code_that_no_machine_bears_is_kept_once_the_can_says_so(log_site: LogSite) -> None:
    asked = log_site.type("1-77 split 4")
    again = form_on(asked.text, "/log/typed")
    assert again["as_read"] == ""
    assert log_site.visit.post("/log/typed", **(again | {"as_read": "yes"})).status_code == 303
    kept = log_site.last()
    assert (kept.dome_code, kept.cans, kept.machine) == ("1-77", 4, None)


def test_a_line_of_the_plant_must_be_named(log_site: LogSite) -> None:
    before = log_site.counted()
    assert log_site.type("9-1 split", as_read="yes").status_code == 422
    assert log_site.counted() == before


def test_a_line_sent_twice_is_kept_once(log_site: LogSite, clock: Clock) -> None:
    sent = new_id()
    assert log_site.type("1-2 split 2", id=sent).status_code == 303
    before = log_site.counted()
    clock.forward(timedelta(seconds=20))
    assert log_site.type("1-2 split 2", id=sent).status_code == 303
    refused = log_site.type("1-2 split 3", id=sent)
    assert refused.status_code == 409
    assert "kept as 1-2 split, 2" in summary(refused)
    assert log_site.counted() == before
    assert form_on(refused.text, "/log/typed")["id"] != str(sent)


def test_hostile_text_stays_text(log_site: LogSite) -> None:
    answer = log_site.type('"><script>alert(1)</script>')
    assert answer.status_code == 422
    assert "<script>alert" not in answer.text
