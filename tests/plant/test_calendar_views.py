"""The Calendar page: planning, changing and withdrawing by form; calendar files in and out."""

import re
import uuid
from datetime import UTC, datetime, timedelta
from html import unescape
from threading import Barrier, Thread

import pytest
from flask import Flask
from icalendar import Calendar
from sqlalchemy import Engine, func, select
from werkzeug.test import TestResponse

from tests.plant.calendar_files import CLEANING, calendar_file
from tests.support.clock import Clock
from tests.support.markup import without_help
from tests.support.site import Cast, Visit
from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tracelog.audit import AuditRecord, broken_links
from tracelog.db import reading, writing
from tracelog.plant.calendar import planned_periods
from tracelog.plant.icalendar_text import LARGEST_BYTES

# The tests happen on 4 March 2026, 10:30 in Madrid.
HERE = "/service/calendar"
ID = "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e55"
OTHER_ID = "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e56"
STOP = {
    "id": ID,
    "kind": "stop",
    "place": "1",
    "starts_on": "2026-03-10",
    "starts_clock": "06:00",
    "ends_on": "",
    "ends_clock": "14:00",
    "reason": "label change",
    "until": "",
}
ONCE = "UID:once\nDTSTART:20260312T060000Z\nDTEND:20260312T140000Z\nSUMMARY:deep clean"


@pytest.fixture
def planner(visit: Visit, cast: Cast, own_engine: Engine) -> Visit:
    """The planner on a plant of lines 1 and 2."""
    with writing(own_engine) as session:
        plant.write_plant(session)
    cast.sign_in(visit, "planner")
    visit.get(HERE)
    return visit


def standing(engine: Engine, as_of: datetime | None = None) -> list[str]:
    """Each period that stands: place, start in UTC, reason."""
    span = datetime(2026, 1, 1, tzinfo=UTC), datetime(2028, 1, 1, tzinfo=UTC)
    with reading(engine) as session:
        found = planned_periods(session, *span, as_of=as_of)
        return [
            f"{'plant' if one.line_id is None else 'machine' if one.machine_id else 'line'}"
            f" {one.starts_at:%m-%d %H:%M} {one.reason}"
            for one in found
        ]


def audits(engine: Engine) -> int:
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(AuditRecord)).scalar_one()


def wrong(answer: TestResponse) -> dict[str, str]:
    found = re.findall(r'class="wrong" id="wrong-([\w-]+)">([^<]*)<', answer.text)
    return {field: unescape(sentence) for field, sentence in found}


def upload(visit: Visit, raw: bytes, **fields: str) -> TestResponse:
    """Send a file as a browser does; built here, since the client would leave a file open."""
    page = visit.get(HERE).text
    (proof, *_others) = re.findall(r'name="csrf_token" value="([^"]+)"', page)
    parts = [
        ("csrf_token", proof.encode()),
        *((name, text.encode()) for name, text in fields.items()),
    ]
    body = b"".join(
        b'--edge\r\nContent-Disposition: form-data; name="%s"\r\n\r\n%s\r\n'
        % (name.encode(), value)
        for name, value in parts
    )
    body += b'--edge\r\nContent-Disposition: form-data; name="file"; filename="line.ics"\r\n\r\n'
    kind = "multipart/form-data; boundary=edge"
    return visit.client.post(
        f"{HERE}/import", data=body + raw + b"\r\n--edge--\r\n", content_type=kind
    )


def test_a_period_is_planned_and_shown_in_grid_and_list(planner: Visit, own_engine: Engine) -> None:
    answer = planner.post(HERE, **STOP)
    assert (answer.status_code, answer.location) == (303, f"{HERE}?from=2026-03-10")
    assert standing(own_engine) == ["line 03-10 05:00 label change"]
    page = planner.get(answer.location).text
    assert "Planned." in page
    assert "Tue 2026-03-10 06:00 to 14:00" in page
    assert "stands 8 hours" in page
    assert f'href="{HERE}/{ID}"' in page
    # Known from now on, and not before.
    assert standing(own_engine, as_of=datetime(2026, 3, 4, 9, tzinfo=UTC)) == []
    assert standing(own_engine, as_of=datetime(2026, 3, 4, 9, 30, tzinfo=UTC)) != []


def test_the_same_form_sent_twice_plans_once(
    planner: Visit, own_engine: Engine, clock: Clock
) -> None:
    weekly = STOP | {"until": "2026-03-31"}
    planner.post(HERE, **weekly)
    before, written = standing(own_engine), audits(own_engine)
    assert len(before) == 4
    clock.forward(timedelta(minutes=1))
    assert planner.post(HERE, **weekly).status_code == 303
    assert (standing(own_engine), audits(own_engine)) == (before, written)


def test_the_same_form_with_other_content_is_told_and_gets_a_new_id(
    planner: Visit, own_engine: Engine
) -> None:
    planner.post(HERE, **STOP)
    answer = planner.post(HERE, **(STOP | {"place": "2"}))
    assert answer.status_code == 409
    assert "was planned already" in answer.text
    (new_id,) = re.findall(r'name="id" value="([^"]+)"', answer.text)
    assert new_id != ID
    assert planner.post(HERE, **(STOP | {"place": "2", "id": new_id})).status_code == 303
    assert len(standing(own_engine)) == 2


@pytest.mark.parametrize(
    ("values", "field", "told"),
    [
        ({"place": "9"}, "place", "there is no line 9"),
        ({"place": "1-9"}, "place", "line 1 has no bodymaker 9"),
        ({"ends_clock": "05:00"}, "ends_on", "is not after the start"),
        ({"until": "2026-01-01"}, "until", "is before the first day"),
        ({"kind": "pause"}, "kind", "is not one of: stop, no service"),
    ],
)
def test_what_is_wrong_is_told_at_the_field_and_what_was_typed_stays(
    planner: Visit, own_engine: Engine, values: dict[str, str], field: str, told: str
) -> None:
    answer = planner.post(HERE, **(STOP | values))
    assert answer.status_code == 422
    found = wrong(answer)
    assert list(found) == [field]
    assert told in found[field]
    assert 'value="label change"' in answer.text
    assert standing(own_engine) == []


def test_a_period_may_be_of_the_plant_or_of_one_machine(planner: Visit, own_engine: Engine) -> None:
    planner.post(HERE, **(STOP | {"place": "plant", "kind": "no service"}))
    planner.post(HERE, **(STOP | {"place": "1-2", "id": OTHER_ID}))
    assert standing(own_engine) == [
        "plant 03-10 05:00 label change",
        "machine 03-10 05:00 label change",
    ]
    page = planner.get(f"{HERE}?line=2&from=2026-03-10").text
    assert "no service 8 hours" in page
    assert ">1-2</th>" not in page
    assert ">1-2</th>" in planner.get(f"{HERE}?line=1&from=2026-03-10").text


def test_a_changed_period_moves_and_what_was_known_stays(
    planner: Visit, own_engine: Engine, clock: Clock
) -> None:
    planner.post(HERE, **STOP)
    page = planner.get(f"{HERE}/{ID}").text
    assert 'name="starts_clock" type="time" value="06:00"' in page
    assert 'name="ends_on" type="date" value="2026-03-10"' in page
    later = clock.forward(timedelta(hours=1))
    changed = STOP | {"id": OTHER_ID, "starts_on": "2026-03-11"}
    answer = planner.post(f"{HERE}/{ID}", **changed)
    assert (answer.status_code, answer.location) == (303, f"{HERE}?from=2026-03-11")
    assert standing(own_engine) == ["line 03-11 05:00 label change"]
    assert standing(own_engine, as_of=later - timedelta(minutes=30)) == [
        "line 03-10 05:00 label change"
    ]
    # Sent once more by a shaky line.
    assert planner.post(f"{HERE}/{ID}", **changed).status_code == 303
    assert len(standing(own_engine)) == 1
    with reading(own_engine) as session:
        assert not broken_links(session)


def test_who_changes_what_another_has_withdrawn_is_told(planner: Visit, own_engine: Engine) -> None:
    planner.post(HERE, **STOP)
    assert planner.post(f"{HERE}/{ID}/withdraw").status_code == 303
    answer = planner.post(f"{HERE}/{ID}", **(STOP | {"id": OTHER_ID, "ends_clock": "16:00"}))
    assert answer.status_code == 409
    assert "was withdrawn or changed by somebody" in answer.text
    assert "Withdrawn at 2026-03-04 10:30" in answer.text
    assert 'action="/service/calendar/' not in answer.text
    assert standing(own_engine) == []
    again = planner.post(f"{HERE}/{ID}/withdraw")
    assert "Somebody had withdrawn or changed it already" in planner.get(again.location).text


def test_two_people_who_move_one_period_at_once_leave_one(
    planner: Visit, application: Flask, cast: Cast, own_engine: Engine
) -> None:
    planner.post(HERE, **STOP)
    other = Visit(application.test_client())
    cast.sign_in(other, "supervisor")
    other.get(HERE)
    ready, statuses = Barrier(2), []

    def move(visit: Visit, day: str) -> None:
        ready.wait()
        values = STOP | {"id": str(uuid.uuid4()), "starts_on": day}
        statuses.append(visit.post(f"{HERE}/{ID}", **values).status_code)

    threads = [
        Thread(target=move, args=(visit, day))
        for visit, day in ((planner, "2026-03-11"), (other, "2026-03-12"))
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(statuses) == [303, 409]
    assert len(standing(own_engine)) == 1


def test_later_ones_of_a_weekly_period_are_withdrawn_together_when_asked(
    planner: Visit, own_engine: Engine
) -> None:
    planner.post(HERE, **(STOP | {"until": "2026-04-14"}))
    planner.post(HERE, **(STOP | {"id": OTHER_ID, "starts_on": "2026-03-24", "reason": "other"}))
    with reading(own_engine) as session:
        found = planned_periods(
            session, datetime(2026, 3, 1, tzinfo=UTC), datetime(2026, 5, 1, tzinfo=UTC)
        )
        third = [one for one in found if one.reason == "label change"][2]
    # The clock is put forward between the third and the fourth, and they are alike all the same.
    assert "and the 3 later ones that say the same" in planner.get(f"{HERE}/{third.id}").text
    before = audits(own_engine)
    answer = planner.post(f"{HERE}/{third.id}/withdraw", all="yes")
    assert "Withdrawn: 4 times." in planner.get(answer.location).text
    assert standing(own_engine) == [
        "line 03-10 05:00 label change",
        "line 03-17 05:00 label change",
        "line 03-24 05:00 other",
    ]
    assert audits(own_engine) == before + 1


@pytest.mark.parametrize("name", ["x", "0198c1f0-7a4e-7cc1-8000-000000000000"])
def test_what_is_not_there_has_no_page(planner: Visit, name: str) -> None:
    assert planner.get(f"{HERE}/{name}").status_code == 404
    assert planner.post(f"{HERE}/{name}/withdraw").status_code == 404


def test_a_calendar_file_is_looked_at_and_then_taken(planner: Visit, own_engine: Engine) -> None:
    raw = calendar_file(CLEANING, ONCE)
    chosen = {"kind": "stop", "place": "1"}
    looked = upload(planner, raw, dry_run="yes", **chosen)
    assert looked.status_code == 200
    assert "Only looked; nothing was written. 5 added" in looked.text
    assert "deep clean" in looked.text
    assert standing(own_engine) == []
    taken = upload(planner, raw, **chosen)
    assert taken.status_code == 303
    assert "Calendar file: 5 added." in planner.get(taken.location).text
    assert len(standing(own_engine)) == 5
    again = upload(planner, raw, **chosen)
    assert "Calendar file: 5 unchanged." in planner.get(again.location).text
    fewer = upload(planner, calendar_file(CLEANING), replaces="yes", **chosen)
    assert "4 unchanged, 1 withdrawn" in planner.get(fewer.location).text
    back = upload(planner, raw, **chosen)
    assert "4 unchanged, 1 left out" in planner.get(back.location).text
    back = upload(planner, raw, brings_back="yes", **chosen)
    assert "1 added, 4 unchanged" in planner.get(back.location).text
    page = planner.get(f"{HERE}?from=2026-03-12").text
    assert "(from a calendar file)" in page


@pytest.mark.parametrize(
    ("raw", "fields", "field", "told"),
    [
        (b"", {"place": "1"}, "file-file", "is not a calendar file"),
        (b"x" * (LARGEST_BYTES + 50), {"place": "1"}, "file-file", "is 2.0 MB large"),
        (calendar_file(ONCE), {"place": "9"}, "file-place", "there is no line 9"),
        (calendar_file(ONCE), {"place": "?"}, "file-place", "is missing; choose"),
        (calendar_file(ONCE), {"kind": "party"}, "file-kind", "is not one of"),
        (calendar_file(ONCE), {"place": ""}, "file-file", "does not say where"),
        (calendar_file(ONCE), {"kind": "", "place": "1"}, "file-file", "does not say what"),
    ],
)
def test_a_file_that_cannot_be_taken_is_told_at_its_form(
    planner: Visit,
    own_engine: Engine,
    raw: bytes,
    fields: dict[str, str],
    field: str,
    told: str,
) -> None:
    answer = upload(planner, raw, **({"kind": "stop", "place": "1"} | fields))
    assert answer.status_code >= 400
    found = wrong(answer)
    assert list(found) == [field]
    assert told in found[field]
    assert standing(own_engine) == []


def test_no_file_at_all_is_told(planner: Visit) -> None:
    answer = planner.post(f"{HERE}/import", kind="stop", place="1")
    assert wrong(answer) == {"file-file": "is missing; choose a calendar file (.ics)"}


def test_only_the_first_of_many_faults_are_listed(planner: Visit) -> None:
    many = [ONCE.replace("once", f"u{n}").replace("deep clean", f"c{n}") for n in range(30)]
    answer = upload(planner, calendar_file(*many), kind="stop", place="")
    assert answer.text.count("does not say where") == 13  # twelve, the first at its field too
    assert "and 18 more events" in answer.text


def test_the_calendar_comes_as_a_file_that_comes_back_unchanged(
    planner: Visit, own_engine: Engine
) -> None:
    planner.post(HERE, **(STOP | {"until": "2026-04-14"}))
    answer = planner.get(f"{HERE}.ics")
    assert answer.mimetype == "text/calendar"
    assert "calendar.ics" in answer.headers["Content-Disposition"]
    assert len(Calendar.from_ical(answer.data).walk("VEVENT")) == 6
    planner.get(HERE)
    back = upload(planner, answer.data)
    assert "Calendar file: 6 unchanged." in planner.get(back.location).text
    assert len(standing(own_engine)) == 6


def test_the_operator_sees_the_calendar_and_plans_nothing(
    planner: Visit, visit: Visit, application: Flask, cast: Cast, own_engine: Engine
) -> None:
    planner.post(HERE, **STOP)
    operator = Visit(application.test_client())
    cast.sign_in(operator, "operator")
    page = operator.get(f"{HERE}?from=2026-03-10")
    assert page.status_code == 200
    assert "label change" in page.text
    assert "Plan a period" not in without_help(page.text)
    assert f"{HERE}/{ID}" not in page.text
    for path in (HERE, f"{HERE}/{ID}", f"{HERE}/{ID}/withdraw", f"{HERE}/import"):
        assert operator.post(path, **STOP).status_code == 403
    assert operator.get(f"{HERE}/{ID}").status_code == 403
    assert operator.get(f"{HERE}.ics").status_code == 200
    assert len(standing(own_engine)) == 1


@pytest.mark.parametrize(
    ("asked", "status"),
    [
        ("from=2026-07-01&weeks=26", 200),
        ("weeks=7", 200),
        ("from=soon", 400),
        ("from=0001-01-01", 400),
        ("line=9", 422),
        ("line=x", 400),
    ],
)
def test_what_is_asked_of_the_page_is_answered_or_told(
    planner: Visit, asked: str, status: int
) -> None:
    assert planner.get(f"{HERE}?{asked}").status_code == status


def test_the_page_sends_the_same_statements_however_much_is_planned(
    planner: Visit, own_engine: Engine
) -> None:
    statements = Statements(own_engine)
    with statements.counted() as few:
        planner.get(HERE)
    planner.post(HERE, **(STOP | {"until": "2027-03-01"}))
    with statements.counted() as many:
        planner.get(HERE)
    statements.close()
    assert len(many) == len(few)
