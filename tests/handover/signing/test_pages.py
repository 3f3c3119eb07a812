"""Signing on the page, the list of shifts, and the weekly review: what is sent, and by whom."""

import pytest
from flask import Flask
from sqlalchemy import Engine, func, select

from tests.handover.small_shifts import DAY_STARTS_AT, HOUR, log, write_plant
from tests.support.clock import Clock
from tests.support.markup import form_on, seen, summary
from tests.support.site import Cast, Visit
from tracelog.db import reading, writing
from tracelog.handover.models import HandoverSignature

WORDS = "the third ring of 1-2 is new"


@pytest.fixture
def supervisor(visit: Visit, cast: Cast, own_engine: Engine, clock: Clock) -> Visit:
    """A supervisor at the end of a day shift."""
    with writing(own_engine) as session:
        write_plant(session)
        log(session, "1-1", [DAY_STARTS_AT + HOUR], cans="7")
    clock.instant = DAY_STARTS_AT + 11 * HOUR
    cast.sign_in(visit, "supervisor")
    visit.get("/handover")
    return visit


def signatures(engine: Engine) -> int:
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(HandoverSignature)).scalar_one()


def test_a_supervisor_hands_over_and_cannot_take_over_too(
    supervisor: Visit, own_engine: Engine
) -> None:
    shown = form_on(supervisor.get("/handover").text, "/handover/sign")
    assert shown["side"] == "outgoing"
    for _twice in range(2):
        answer = supervisor.post("/handover/sign", **(shown | {"words": WORDS}))
        assert (answer.status_code, answer.location) == (
            303,
            "/handover?at=2026-03-04T05:00:00Z",
        )
    assert signatures(own_engine) == 1
    page = supervisor.get("/handover").text
    assert WORDS in page
    assert "You handed this shift over; somebody else takes it over." in seen(page)
    assert 'name="having_read"' not in page
    other = supervisor.post("/handover/sign", **(shown | {"words": "other words"}))
    assert other.status_code == 409
    assert "has signed this side already" in summary(other)
    # What was typed is not lost.
    assert "other words" in seen(other.text)
    assert signatures(own_engine) == 1


def test_what_comes_late_is_told_and_the_page_as_signed_stays(
    supervisor: Visit, own_engine: Engine
) -> None:
    shown = form_on(supervisor.get("/handover").text, "/handover/sign")
    supervisor.post("/handover/sign", **(shown | {"words": WORDS}))
    with writing(own_engine) as session:
        log(session, "1-2", [DAY_STARTS_AT + n * HOUR for n in (2, 3, 4)], mark="late")
    page = supervisor.get("/handover").text
    assert "Since it was signed: 3 entries came late" in seen(page)
    link = page.split('href="/handover/signatures/')[1].split('"')[0]
    kept = supervisor.get(f"/handover/signatures/{link}").json or {}
    assert sum(line["entries"] for line in kept["lines"]) == 1


@pytest.mark.parametrize(
    ("said", "status"),
    [
        ({"side": "both"}, 422),
        ({"at": "soon"}, 422),
        ({"words": "x" * 4001}, 422),
        ({"side": "incoming"}, 409),
        ({"at": "2030-01-01T12:00"}, 409),
    ],
)
def test_what_is_wrong_is_told_and_nothing_is_signed(
    supervisor: Visit, own_engine: Engine, said: dict[str, str], status: int
) -> None:
    shown = form_on(supervisor.get("/handover").text, "/handover/sign")
    answer = supervisor.post("/handover/sign", **(shown | {"words": WORDS} | said))
    assert answer.status_code == status
    assert summary(answer)
    assert signatures(own_engine) == 0


@pytest.mark.parametrize("role", ["operator", "planner", "quality", "administrator"])
def test_only_who_may_hand_over_signs(
    supervisor: Visit, cast: Cast, own_engine: Engine, role: str
) -> None:
    supervisor.post("/sign-out")
    cast.sign_in(supervisor, role)
    page = supervisor.get("/handover").text
    assert 'action="/handover/sign"' not in page
    said = {"at": "2026-03-04T12:00", "side": "outgoing"}
    assert supervisor.post("/handover/sign", **said).status_code == 403
    assert signatures(own_engine) == 0


def test_strangers_and_forms_from_elsewhere_sign_nothing(
    supervisor: Visit, own_engine: Engine, application: Flask
) -> None:
    said = {"at": "2026-03-04T12:00", "side": "outgoing"}
    stranger = Visit(application.test_client())
    assert stranger.post("/handover/sign", **said).status_code == 401
    assert supervisor.client.post("/handover/sign", data=said).status_code == 400
    assert signatures(own_engine) == 0


def test_the_list_of_shifts_is_searched_by_day(supervisor: Visit) -> None:
    shown = form_on(supervisor.get("/handover").text, "/handover/sign")
    supervisor.post("/handover/sign", **(shown | {"words": WORDS}))
    page = seen(supervisor.get("/handover/shifts").text)
    assert "handed over, not taken over" in page
    earlier = seen(supervisor.get("/handover/shifts?day=2026-03-02").text)
    assert "2026-03-02" in earlier
    assert "2026-03-04 day" not in earlier
    wrong = supervisor.get("/handover/shifts?day=soon")
    assert wrong.status_code == 422
    assert summary(wrong)


def test_the_week_is_a_page_and_files(supervisor: Visit) -> None:
    page = supervisor.get("/handover/week?from=2026-02-25")
    assert page.status_code == 200
    assert "Week from Monday 2026-02-23" in seen(page.text)
    assert "Nothing changed beyond chance." in seen(page.text)
    told = supervisor.get("/handover/week.json?from=2026-02-25").json or {}
    assert (told["monday"], told["changed"]) == ("2026-02-23", [])
    table = supervisor.get("/handover/week.csv?from=2026-02-25")
    assert table.text.startswith("what,place,defect,count,usual,adjusted p,evidence,in words\r\n")
    assert "strokes in all,Line 1" in table.text
    assert supervisor.get("/handover/week.xlsx").status_code == 200
    assert supervisor.get("/handover/week.doc").status_code == 404


def test_a_day_that_is_none_is_told_at_the_field(supervisor: Visit) -> None:
    for path in ("/handover/week", "/handover/week.json", "/handover/week.csv"):
        answer = supervisor.get(f"{path}?from=soon")
        assert answer.status_code in (400, 422)
        assert "not a date; write it such as" in seen(answer.text)


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31", "2030-01-01", "1900-01-01"])
def test_days_far_away_are_answered(supervisor: Visit, day: str) -> None:
    for path in (f"/handover/week?from={day}", f"/handover/shifts?day={day}"):
        answer = supervisor.get(path)
        assert answer.status_code in (200, 400, 422), path
