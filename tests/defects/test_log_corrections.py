"""One entry and its corrections: changed, withdrawn, brought back, and nothing lost."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest
from flask import Flask

from tests.defects.log_site import LogSite
from tests.support.clock import Clock
from tests.support.markup import form_on, seen, summary, wrong
from tests.support.site import Cast, Visit
from tracelog.db import new_id
from tracelog.defects.correction_form import CORRECTION_FIELDS

# For each field of the form something that is not right, where it is told, and some words of it.
WRONG = {
    "id": ("17", None, "is not a UUID"),
    "dome_code": ("three", "dome_code", "'three' is not a dome code"),
    "defect": ("spilt", "defect", "near it: split"),
    "cans": ("-1", "cans", "is out of range"),
    "occurrences": ("7", "occurrences", "more than the 2 cans"),
    "inspected": ("1", "cans", "2 bad cans are more than the 1 inspected"),
    "found_at": ("x" * 81, "found_at", "at most 80 are kept"),
    "seen_at": ("2026-03-29T02:30", "seen_at", "does not exist in Europe/Madrid"),
    "made_at": ("2026-03-05T02:30", "made_at", "is after seen_at"),
    "coil": ("x" * 81, "coil", "at most 80 are kept"),
    "pallet": ("x" * 81, "pallet", "at most 80 are kept"),
    "mark": ("a\u0007b", "mark", "has a control character"),
    "note": ("x" * 4001, "note", "at most 4000 are kept"),
    "reason": ("", "reason", "is missing"),
}
# What these say is yes or anything else, and a count that only guards against the corrections of
# others; neither can be wrong in itself.
NEVER_WRONG = {"withdrawn", "corrections"}


@pytest.fixture
def entry_id(log_site: LogSite) -> uuid.UUID:
    """Two splits of 1-2, with a note of two lines."""
    log_site.tap(number="2", cans="2", note="at the rim\nand below", found_at="my own bench")
    return log_site.last().id


def test_a_value_is_corrected_and_what_it_was_stays_on_record(
    log_site: LogSite, entry_id: uuid.UUID, clock: Clock
) -> None:
    clock.forward(timedelta(minutes=5))
    answer = log_site.correct(entry_id, cans="3", dome_code="1-1", reason="read under the lamp")
    assert (answer.status_code, answer.location) == (303, f"/log/{entry_id}")
    record = log_site.record(entry_id)
    assert (record.now.cans, record.now.dome_code) == (3, "1-1")
    assert (record.original.cans, record.original.dome_code) == (2, "1-2")
    assert record.now.seen_at == record.original.seen_at
    (correction,) = record.corrections
    assert {change.field for change in correction.changes} == {"cans", "dome_code"}
    assert (correction.reason, correction.corrected_by) == ("read under the lamp", "olga")
    page = seen(log_site.visit.get(f"/log/{entry_id}").text)
    assert "cans: 2 → 3" in page
    assert "read under the lamp" in page
    record_of_write = log_site.last_audit()
    assert (record_of_write.action, record_of_write.subject) == ("correct entry", str(entry_id))
    assert '"1-2"' in (record_of_write.before or "")


def test_what_is_not_touched_is_not_changed(log_site: LogSite, entry_id: uuid.UUID) -> None:
    log_site.correct(entry_id, mark="pocket 3")
    record = log_site.record(entry_id)
    assert [change.field for change in record.corrections[0].changes] == ["mark"]
    assert record.now.note == "at the rim\nand below"
    assert record.now.found_at == "my own bench"
    shown = form_on(log_site.visit.get(f"/log/{entry_id}").text, f"/log/{entry_id}")
    # A browser ends the lines of a text area with two signs.
    sent = shown | {"note": shown["note"].replace("\n", "\r\n"), "coil": "K-1", "reason": "r"}
    log_site.visit.post(f"/log/{entry_id}", **sent)
    assert [change.field for change in log_site.record(entry_id).corrections[1].changes] == ["coil"]


def test_an_entry_is_withdrawn_and_brought_back(log_site: LogSite, entry_id: uuid.UUID) -> None:
    other = log_site.last().id
    assert log_site.correct(entry_id, withdrawn="yes", reason="logged twice").status_code == 303
    record = log_site.record(entry_id)
    assert (record.is_withdrawn, record.now.cans) == (True, 2)
    assert log_site.last_audit().action == "withdraw entry"
    page = log_site.visit.get(f"/log/{entry_id}").text
    assert "Withdrawn; it stays on record." in page
    assert "it counts nowhere" in page
    assert other == entry_id
    assert str(entry_id) not in log_site.visit.get("/log").text
    assert log_site.correct(entry_id, withdrawn="", reason="another can").status_code == 303
    assert not log_site.record(entry_id).is_withdrawn
    page = seen(log_site.visit.get(f"/log/{entry_id}").text)
    assert "brought back" in page
    assert str(entry_id) in log_site.visit.get("/log").text


def test_every_field_of_the_form_has_its_bad_case(log_site: LogSite, entry_id: uuid.UUID) -> None:
    fields = form_on(log_site.visit.get(f"/log/{entry_id}").text, f"/log/{entry_id}")
    assert set(fields) == set(CORRECTION_FIELDS) == set(WRONG) | NEVER_WRONG


@pytest.mark.parametrize("field", WRONG)
def test_a_field_that_is_wrong_is_told_there_and_nothing_is_written(
    log_site: LogSite, entry_id: uuid.UUID, field: str
) -> None:
    value, told_at, words = WRONG[field]
    before = log_site.counted()
    answer = log_site.correct(entry_id, **({"pallet": "P-1"} | {field: value}))
    assert answer.status_code == 422
    assert list(wrong(answer)) == ([told_at] if told_at else [])
    assert words in summary(answer)
    assert log_site.counted() == before
    if field not in {"id", "pallet", "mark", "defect"}:  # a choice shows none that it has not
        again = form_on(answer.text, f"/log/{entry_id}")
        assert (again["pallet"], again[field]) == ("P-1", value)


def test_nothing_changed_is_told(log_site: LogSite, entry_id: uuid.UUID) -> None:
    before = log_site.counted()
    answer = log_site.correct(entry_id)
    assert answer.status_code == 422
    assert "changes nothing" in summary(answer)
    assert log_site.counted() == before


def test_a_correction_sent_twice_is_one(
    log_site: LogSite, entry_id: uuid.UUID, clock: Clock
) -> None:
    shown = form_on(log_site.visit.get(f"/log/{entry_id}").text, f"/log/{entry_id}")
    sent = shown | {"cans": "3", "withdrawn": "yes", "reason": "misread"}
    assert log_site.visit.post(f"/log/{entry_id}", **sent).status_code == 303
    before = log_site.counted()
    clock.forward(timedelta(seconds=5))
    assert log_site.visit.post(f"/log/{entry_id}", **sent).status_code == 303
    assert log_site.counted() == before
    other = log_site.visit.post(f"/log/{entry_id}", **(sent | {"cans": "4"}))
    assert other.status_code == 409
    assert "was accepted before" in summary(other)
    assert log_site.counted() == before


def test_of_two_people_who_correct_at_once_the_second_is_told(
    log_site: LogSite, entry_id: uuid.UUID, application: Flask, cast: Cast
) -> None:
    page = f"/log/{entry_id}"
    shown = form_on(log_site.visit.get(page).text, page)
    other = Visit(application.test_client())
    cast.sign_in(other, "quality")
    LogSite(other, log_site.engine).correct(entry_id, cans="7", reason="counted again")
    before = log_site.counted()
    late = log_site.visit.post(page, **(shown | {"coil": "K-1", "reason": "it was this coil"}))
    assert late.status_code == 409
    assert "somebody has corrected this entry meanwhile" in summary(late)
    assert log_site.counted() == before
    fresh = form_on(late.text, page)
    assert (fresh["cans"], fresh["coil"], fresh["reason"]) == ("7", "", "it was this coil")
    assert log_site.visit.post(page, **(fresh | {"coil": "K-1"})).status_code == 303
    now = log_site.record(entry_id).now
    assert (now.cans, now.coil) == (7, "K-1")


def test_times_of_the_hour_that_comes_twice_stay_as_they_were(
    log_site: LogSite, clock: Clock, cast: Cast
) -> None:
    clock.instant = datetime(2026, 10, 25, 1, 30, 20, tzinfo=UTC)  # the second half past two
    cast.sign_in(log_site.visit, "operator")
    log_site.visit.get("/log")
    log_site.tap()
    entry_id = log_site.last().id
    assert log_site.correct(entry_id, coil="K-1").status_code == 303
    assert log_site.record(entry_id).now.seen_at == clock.instant
    page = log_site.visit.get(f"/log/{entry_id}")
    assert "2026-10-25 02:30" in seen(page.text)
    refused = log_site.correct(entry_id, made_at="2026-10-25T02:10")
    assert refused.status_code == 422
    assert "occurs twice" in wrong(refused)["made_at"]
    assert log_site.correct(entry_id, made_at="2026-10-25T01:50").status_code == 303
    assert log_site.record(entry_id).now.made_at == datetime(2026, 10, 24, 23, 50, tzinfo=UTC)
    assert "made at: – → 2026-10-25 01:50" in seen(log_site.visit.get(f"/log/{entry_id}").text)


@pytest.mark.parametrize("count", ["9" * 5000, "-1", "x", "\u00b2"])
def test_a_count_of_corrections_that_is_none_does_no_harm(
    log_site: LogSite, entry_id: uuid.UUID, count: str
) -> None:
    assert log_site.correct(entry_id, cans="5", corrections=count).status_code == 303
    assert log_site.record(entry_id).now.cans == 5


def test_hostile_text_is_shown_as_text(log_site: LogSite, entry_id: uuid.UUID) -> None:
    hostile = "<script>alert(1)</script>\u202e"
    log_site.correct(entry_id, note=hostile, coil=hostile, reason=hostile)
    page = log_site.visit.get(f"/log/{entry_id}").text
    assert "<script>alert" not in page
    assert page.count("&lt;script&gt;alert(1)&lt;/script&gt;") >= 4


def test_who_has_not_signed_in_or_comes_from_elsewhere_corrects_nothing(
    log_site: LogSite, entry_id: uuid.UUID, application: Flask
) -> None:
    before = log_site.counted()
    stranger = Visit(application.test_client())
    assert stranger.get(f"/log/{entry_id}").location.startswith("/sign-in")
    assert stranger.post(f"/log/{entry_id}", cans="9", reason="r").status_code == 401
    forged = log_site.visit.client.post(f"/log/{entry_id}", data={"cans": "9", "reason": "r"})
    assert forged.status_code == 400
    assert log_site.counted() == before


def test_an_entry_that_is_not_there_is_not_found(log_site: LogSite) -> None:
    for address in (f"/log/{new_id()}", "/log/17"):
        assert log_site.visit.get(address).status_code == 404
        assert log_site.visit.post(address, reason="r", cans="1").status_code == 404
