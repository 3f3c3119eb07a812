"""Once more: one touch logs another can like the last, and a tap that bounces logs nothing."""

from datetime import timedelta

import pytest
from flask import Flask

from tests.defects.log_site import LogSite
from tests.support.clock import Clock
from tests.support.markup import form_on, seen
from tests.support.site import Cast, Visit
from tracelog.defects.own_last import REMEMBERED_FOR, SAME_TAP_WITHIN

AGAIN = "/log/again"


def again(log_site: LogSite, page: str = "/log") -> dict[str, str]:
    """The form that logs one more, as it stands on the page."""
    return form_on(log_site.visit.get(page).text, AGAIN)


def test_one_touch_logs_the_same_machine_and_defect_as_a_new_entry(
    log_site: LogSite, clock: Clock
) -> None:
    log_site.tap(number="12", defect="wrinkle", cans="4", found_at="necker", note="at the rim")
    first = log_site.last()
    clock.forward(timedelta(minutes=20))
    answer = log_site.visit.post(AGAIN, **again(log_site))
    assert (answer.status_code, answer.location) == (303, "/log?found_at=necker")
    kept = log_site.last()
    assert kept.id != first.id
    assert kept.seen_at == kept.logged_at == first.seen_at + timedelta(minutes=20)
    assert (kept.dome_code, kept.defect, kept.cans) == ("1-12", "wrinkle", 1)
    assert (kept.found_at, kept.note, kept.logged_by) == ("necker", None, "Olga")
    assert log_site.last_audit().action == "log entries"


def test_a_second_tap_within_two_seconds_is_the_same(log_site: LogSite, clock: Clock) -> None:
    log_site.tap()
    clock.forward(timedelta(seconds=30))
    assert log_site.visit.post(AGAIN, **again(log_site)).status_code == 303
    before = log_site.counted()
    # The finger bounces on the page that came back, whose form has an id of its own.
    clock.forward(SAME_TAP_WITHIN - timedelta(milliseconds=1))
    bounced = again(log_site)
    assert log_site.visit.post(AGAIN, **bounced).status_code == 303
    assert log_site.counted() == before
    clock.forward(timedelta(milliseconds=1))
    assert log_site.visit.post(AGAIN, **bounced).status_code == 303
    assert log_site.counted() == [before[0] + 1, before[1] + 1, before[2], before[3] + 1]


def test_the_same_form_sent_twice_is_kept_once(log_site: LogSite, clock: Clock) -> None:
    log_site.tap()
    clock.forward(timedelta(seconds=30))
    sent = again(log_site)
    assert log_site.visit.post(AGAIN, **sent).status_code == 303
    before = log_site.counted()
    clock.forward(timedelta(seconds=30))
    assert log_site.visit.post(AGAIN, **sent).status_code == 303
    assert log_site.counted() == before


@pytest.mark.parametrize(
    ("tapped", "code"),
    [
        ({"number": "?", "settled": "1-12"}, "1-12"),
        ({"number": "?"}, "1-?"),
        ({"line": "", "number": ""}, None),
        ({"number": "77", "as_read": "yes"}, "1-77"),
    ],
)
def test_the_code_is_the_one_that_stands(
    log_site: LogSite, clock: Clock, tapped: dict[str, str], code: str | None
) -> None:
    log_site.tap(**tapped)
    clock.forward(timedelta(seconds=30))
    assert log_site.visit.post(AGAIN, **again(log_site)).status_code == 303
    assert log_site.last().dome_code == code


def test_a_sample_is_not_repeated_and_an_older_can_is_forgotten(
    log_site: LogSite, clock: Clock
) -> None:
    log_site.tap(cans="0", inspected="200")
    assert again(log_site) == {}
    log_site.tap()
    clock.forward(REMEMBERED_FOR + timedelta(seconds=1))
    log_site.visit.post("/sign-out")
    assert again(log_site) == {}


def test_it_is_ones_own_last_can_and_not_anybodys(
    log_site: LogSite, application: Flask, cast: Cast
) -> None:
    log_site.tap(number="12")
    other = Visit(application.test_client())
    cast.sign_in(other, "quality")
    page = other.get("/log").text
    assert form_on(page, AGAIN) == {}
    LogSite(other, log_site.engine).tap(number="2")
    assert again(log_site)["number"] == "12"


def test_what_is_undone_is_not_repeated(log_site: LogSite) -> None:
    log_site.tap(number="2")
    log_site.tap(number="12")
    log_site.visit.get("/log")
    log_site.visit.post(f"/log/{log_site.last().id}/undo")
    assert again(log_site)["number"] == "2"


def test_what_cannot_be_kept_is_told_on_the_pad(log_site: LogSite) -> None:
    log_site.tap()
    before = log_site.counted()
    answer = log_site.visit.post(AGAIN, **(again(log_site) | {"again": "17", "defect": "spilt"}))
    assert answer.status_code == 422
    assert "near it: split" in seen(answer.text)
    assert log_site.counted() == before
