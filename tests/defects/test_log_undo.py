"""Undo on the Log: for a minute, for who logged it, as a withdrawal that stays on record."""

import json
import uuid
from datetime import timedelta

import pytest
from flask import Flask

from tests.defects.log_site import LogSite
from tests.support.clock import Clock
from tests.support.markup import form_on, seen
from tests.support.site import Cast, Visit
from tracelog.defects.own_last import UNDONE_WITHIN


@pytest.fixture
def entry_id(log_site: LogSite) -> uuid.UUID:
    """A split of 1-2, logged just now."""
    log_site.tap(number="2")
    return log_site.last().id


def undo(log_site: LogSite, entry_id: uuid.UUID) -> int:
    return log_site.visit.post(f"/log/{entry_id}/undo").status_code


def test_what_was_logged_is_undone_within_the_minute_and_stays_on_record(
    log_site: LogSite, entry_id: uuid.UUID, clock: Clock
) -> None:
    clock.forward(UNDONE_WITHIN)
    page = log_site.visit.get("/log?found_at=necker").text
    assert "Kept: 1-2 split, 1." in seen(page)
    sent = form_on(page, f"/log/{entry_id}/undo")
    answer = log_site.visit.post(f"/log/{entry_id}/undo", **sent)
    assert (answer.status_code, answer.location) == (303, "/log?found_at=necker")
    record = log_site.record(entry_id)
    assert record.is_withdrawn
    (correction,) = record.corrections
    assert (correction.reason, correction.corrected_by, correction.withdrawn) == (
        "undone within the minute",
        "olga",
        True,
    )
    audit = log_site.last_audit()
    assert (audit.action, audit.actor, audit.subject) == ("withdraw entry", "olga", str(entry_id))
    assert json.loads(audit.after or "")["reason"] == "undone within the minute"
    page = seen(log_site.visit.get("/log").text)
    assert "Undone: 1-2 split is withdrawn; it stays on record." in page
    assert "Kept: 1-2" not in page


def test_after_the_minute_it_is_corrected_like_any_other(
    log_site: LogSite, entry_id: uuid.UUID, clock: Clock
) -> None:
    clock.forward(UNDONE_WITHIN + timedelta(seconds=1))
    page = log_site.visit.get("/log").text
    assert f"/log/{entry_id}/undo" not in page
    before = log_site.counted()
    answer = log_site.visit.post(f"/log/{entry_id}/undo")
    assert answer.status_code == 409
    assert "the minute is over; correct or withdraw the entry on its page" in seen(answer.text)
    assert log_site.counted() == before
    assert log_site.correct(entry_id, withdrawn="yes").status_code == 303
    assert log_site.record(entry_id).is_withdrawn


def test_two_taps_are_one_withdrawal(log_site: LogSite, entry_id: uuid.UUID, clock: Clock) -> None:
    assert undo(log_site, entry_id) == 303
    before = log_site.counted()
    clock.forward(timedelta(seconds=90))
    assert undo(log_site, entry_id) == 303
    assert log_site.counted() == before


def test_only_who_logged_it_may_undo_it(
    log_site: LogSite, entry_id: uuid.UUID, application: Flask, cast: Cast
) -> None:
    other = Visit(application.test_client())
    cast.sign_in(other, "supervisor")
    page = other.get("/log").text
    assert f"/log/{entry_id}/undo" not in page
    before = log_site.counted()
    answer = other.post(f"/log/{entry_id}/undo")
    assert answer.status_code == 403
    assert "Somebody else logged this" in seen(answer.text)
    stranger = Visit(application.test_client())
    assert stranger.post(f"/log/{entry_id}/undo").status_code == 401
    assert log_site.visit.client.post(f"/log/{entry_id}/undo").status_code == 400
    assert log_site.counted() == before


def test_what_somebody_else_has_corrected_meanwhile_is_not_undone(
    log_site: LogSite, entry_id: uuid.UUID, application: Flask, cast: Cast
) -> None:
    other = Visit(application.test_client())
    cast.sign_in(other, "quality")
    other.get("/log")
    assert LogSite(other, log_site.engine).correct(entry_id, cans="3").status_code == 303
    answer = log_site.visit.post(f"/log/{entry_id}/undo")
    assert answer.status_code == 409
    assert "somebody has corrected this entry meanwhile" in seen(answer.text)
    assert log_site.record(entry_id).now.cans == 3


def test_what_one_settled_oneself_is_undone_whole(log_site: LogSite) -> None:
    log_site.tap(number="?", settled="1-12")
    entry_id = log_site.last().id
    assert undo(log_site, entry_id) == 303
    record = log_site.record(entry_id)
    assert record.is_withdrawn
    assert len(record.corrections) == 2


@pytest.mark.parametrize("entry_id", [uuid.UUID(int=7), "17"])
def test_an_entry_that_is_none_is_not_found(log_site: LogSite, entry_id: object) -> None:
    assert log_site.visit.post(f"/log/{entry_id}/undo").status_code == 404
