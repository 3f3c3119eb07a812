"""An old list is uploaded, read, put right and taken in, once and no more."""

import io
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import Engine, func, select
from werkzeug.test import TestResponse

from tests.intake.folders import import_good, write_folder
from tests.intake.spreadsheets.books import xlsx
from tests.support.markup import form_on, seen
from tests.support.site import Cast, Visit
from tracelog.audit import AuditRecord, broken_links
from tracelog.db import reading, writing
from tracelog.defects.models import CurrentEntry, DefectType, Entry
from tracelog.intake.spreadsheets.models import (
    SpreadsheetFix,
    SpreadsheetMapping,
    SpreadsheetUpload,
)
from tracelog.intake.spreadsheets.sheets import read_book
from tracelog.keeping.integrity import look_over

PLANT = {
    "lines.csv": [{"line": "1"}, {"line": "2"}],
    "machines.csv": [
        {"line": str(line), "station": "bodymaker", "number": str(number)}
        for line in (1, 2)
        for number in (1, 2, 3)
    ],
}
HEADER = ["Date", "Time", "Line", "BM", "Fault", "Qty", "Remarks"]
GOOD = [
    [datetime.fromisoformat("2026-03-02"), "06:15", 1, 2, "wall split", 2, "first"],
    [datetime.fromisoformat("2026-03-02"), "07:15", 1, 3, "pinhole", 1, None],
    ["3.3.2026", "18:00", 2, 1, "wall-split", 4, "at night"],
]
BAD = [
    ["29.3.2026", "02:30", 2, 2, "pinhole", 1, "when the clock is put forward"],
    ["4.3.2026", "06:00", 7, 3, "pinhole", 1, "no such line"],
    ["4.3.2026", "06:00", 2, 1, "tomato", "many", "two faults"],
]


@pytest.fixture
def supervisor(visit: Visit, cast: Cast, own_engine: Engine, tmp_path: Path) -> Visit:
    import_good(own_engine, write_folder(tmp_path / "plant", PLANT))
    cast.sign_in(visit, "supervisor")
    return visit


def upload(visit: Visit, rows: list[list[Any]], name: str = "scrap.xlsx") -> str:
    visit.get("/spreadsheets")
    answer = visit.post("/spreadsheets", file=(io.BytesIO(xlsx(rows)), name))
    assert answer.status_code == 303, seen(answer.text)
    return str(answer.location)


def look(visit: Visit, path: str, **changed: str) -> TestResponse:
    form = form_on(visit.get(path).text, path)
    return visit.post(path, **{**form, "do": "keep", **changed})


def rows(visit: Visit, path: str) -> str:
    return visit.get(path + "/rows").text


def take(visit: Visit, path: str, do: str = "all") -> TestResponse:
    form = form_on(rows(visit, path), path + "/take")
    return visit.post(path + "/take", **{**form, "do": do})


def entries(engine: Engine) -> list[tuple[Any, ...]]:
    with reading(engine) as session:
        asked = (
            select(
                CurrentEntry.seen_at, CurrentEntry.dome_code, DefectType.defect, CurrentEntry.cans
            )
            .join(DefectType)
            .order_by(CurrentEntry.seen_at)
        )
        return [(f"{row[0]:%m-%dT%H:%M}", *row[1:]) for row in session.execute(asked)]


def count(engine: Engine, table: Any) -> int:
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(table)).scalar_one()


def test_a_good_list_is_read_as_guessed_and_taken_in_once(
    supervisor: Visit, own_engine: Engine
) -> None:
    path = upload(supervisor, [HEADER, *GOOD])
    assert look(supervisor, path).location == path + "/rows"
    page = seen(rows(supervisor, path))
    assert "Only looked at" in page
    assert "new 3" in page
    assert entries(own_engine) == []
    assert take(supervisor, path).status_code == 303
    assert entries(own_engine) == [
        ("03-02T05:15", "1-2", "wall-split", 2),
        ("03-02T06:15", "1-3", "pinhole", 1),
        ("03-03T17:00", "2-1", "wall-split", 4),
    ]
    assert "Taken in" in seen(rows(supervisor, path))
    again = upload(supervisor, [HEADER, *GOOD], "again.xlsx")
    look(supervisor, again)
    assert "unchanged, on record already 3" in seen(rows(supervisor, again))
    take(supervisor, again)
    assert len(entries(own_engine)) == 3
    with writing(own_engine) as session:
        assert broken_links(session) == []
        assert look_over(session, datetime.now().astimezone(), rebuild=False).is_whole


def test_bad_rows_are_told_put_right_in_place_and_then_taken(
    supervisor: Visit, own_engine: Engine
) -> None:
    path = upload(supervisor, [HEADER, *GOOD, *BAD])
    look(supervisor, path)
    page = seen(rows(supervisor, path))
    assert "Rows that are not right yet: 3" in page
    assert "2026-03-29 02:30:00 does not exist in Europe/Madrid" in page
    assert "'7-3' names line 7, which this plant does not have" in page
    assert "'many' is not a whole number" in page
    assert take(supervisor, path, "all").status_code == 409
    assert entries(own_engine) == []

    form = form_on(rows(supervisor, path), path + "/fixes")
    assert form["cell-5-seen_at"] == "2026-03-29T02:30:00"
    put_right = {
        "row": ["5", "6", "7"],
        "cell-5-seen_at": "2026-03-29T03:30:00",
        "cell-6-dome_code": "2-3",
        "leave-7": "yes",
    }
    assert supervisor.post(path + "/fixes", **{**form, **put_right}).status_code == 303
    page = seen(rows(supervisor, path))
    assert "Rows that are not right yet" not in page
    assert "left out on purpose 1" in page
    assert take(supervisor, path).status_code == 303
    assert ("03-29T01:30", "2-2", "pinhole", 1) in entries(own_engine)
    assert ("03-04T05:00", "2-3", "pinhole", 1) in entries(own_engine)
    assert len(entries(own_engine)) == 5
    # The upload itself is as it was sent.
    sent = supervisor.get(path + "/file")
    with reading(own_engine) as session:
        assert sent.data == session.execute(select(SpreadsheetUpload.content)).scalar_one()
    assert read_book("", sent.data).sheets[0].rows[4][1][0] == BAD[0][0]
    assert sent.headers["Content-Disposition"].startswith("attachment")


def test_good_rows_are_taken_while_the_others_stay(supervisor: Visit, own_engine: Engine) -> None:
    path = upload(supervisor, [HEADER, *GOOD, *BAD])
    look(supervisor, path)
    assert take(supervisor, path, "good").status_code == 303
    assert len(entries(own_engine)) == 3
    assert "Rows that are not right yet: 3" in seen(rows(supervisor, path))


def test_what_is_wrong_in_one_row_writes_nothing_of_the_others(
    supervisor: Visit, own_engine: Engine
) -> None:
    before = count(own_engine, AuditRecord)
    path = upload(supervisor, [HEADER, *GOOD, *BAD])
    look(supervisor, path)
    take(supervisor, path, "all")
    assert count(own_engine, Entry) == 0
    with reading(own_engine) as session:
        actions = session.execute(select(AuditRecord.action).order_by(AuditRecord.sequence))
        assert list(actions.scalars())[before:] == ["keep spreadsheet", "read spreadsheet as"]


def test_words_are_given_a_meaning_or_left_out(supervisor: Visit, own_engine: Engine) -> None:
    list_rows = [[*GOOD[0][:4], word, 1, f"{n}"] for n, word in enumerate(("xx", "xx", "trial"))]
    path = upload(supervisor, [HEADER, *list_rows])
    form = form_on(supervisor.get(path).text, path)
    assert {form["their-defect-0"], form["their-defect-1"]} == {"xx", "trial"}
    assert form["their-defect-0"] == "xx"
    look(supervisor, path, **{"ours-defect-0": "pinhole", "ours-defect-1": "!"})
    page = seen(rows(supervisor, path))
    assert "new 2" in page
    assert "left out on purpose 1" in page
    take(supervisor, path)
    assert {row[2] for row in entries(own_engine)} == {"pinhole"}


def test_a_mapping_is_kept_and_applied_to_the_next_sheet(
    supervisor: Visit, own_engine: Engine
) -> None:
    header = ["c1", "c2", "c3", "c4"]
    rows_of_it = [["2.3.2026 6:15", "1-2", "pinhole", 3]]
    path = upload(supervisor, [header, *rows_of_it])
    chosen = {"file": "defects.csv", "from-seen_at": "c1", "from-dome_code": "c2"}
    look(supervisor, path, **chosen, **{"from-defect": "c3", "from-cans": "c4"})
    supervisor.get(path + "/rows")
    assert supervisor.post(path + "/mapping", name="Daily sheet").status_code == 303
    assert "Daily sheet" in supervisor.get("/spreadsheets").text
    later = upload(supervisor, [header, ["3.3.2026 6:15", "1-3", "pinhole", 1]])
    form = form_on(supervisor.get(later).text, later)
    assert {form[f"from-{name}"] for name in ("seen_at", "dome_code", "defect", "cans")} == {
        "c1",
        "c2",
        "c3",
        "c4",
    }
    with reading(own_engine) as session:
        kept = session.execute(select(SpreadsheetMapping.id)).scalar_one()
    assert supervisor.post(f"/spreadsheets/mappings/{kept}/remove").status_code == 303
    assert count(own_engine, SpreadsheetMapping) == 0


def test_a_needed_column_that_is_not_chosen_is_told(supervisor: Visit) -> None:
    path = upload(supervisor, [HEADER, *GOOD])
    answer = look(supervisor, path, **{"from-defect": ""})
    assert answer.status_code == 400
    assert "needs a column for: defect" in seen(answer.text)


def test_columns_are_guessed_anew_for_another_kind_of_rows(supervisor: Visit) -> None:
    path = upload(supervisor, [["Date", "Line", "BM", "Counter"], [GOOD[0][0], 1, 2, 5]])
    form = form_on(supervisor.get(path).text, path)
    assert form["file"] == "readings.csv"
    answer = supervisor.post(path, **{**form, "file": "services.csv", "do": "guess"})
    assert answer.status_code == 200
    assert form_on(answer.text, path)["from-done_at"] == "Date"


def test_the_later_of_two_is_told(supervisor: Visit) -> None:
    path = upload(supervisor, [HEADER, *GOOD])
    form = form_on(supervisor.get(path).text, path)
    look(supervisor, path)
    answer = supervisor.post(path, **{**form, "do": "keep"})
    assert answer.status_code == 409
    assert "somebody has changed this" in seen(answer.text)


def test_settings_are_for_administrators(supervisor: Visit, cast: Cast, application: Flask) -> None:
    sheet = [["line", "name"], [3, "Third"]]
    path = upload(supervisor, sheet)
    form = form_on(supervisor.get(path).text, path)
    assert form["file"] != "lines.csv"
    answer = supervisor.post(
        path, **{**form, "file": "lines.csv", "from-line": "line", "do": "keep"}
    )
    assert answer.status_code == 400
    assert "for administrators" in seen(answer.text)
    other = Visit(application.test_client())
    cast.sign_in(other, "administrator")
    own = upload(other, sheet)
    assert form_on(other.get(own).text, own)["file"] == "lines.csv"
    look(other, own)
    assert take(other, own).status_code == 303


@pytest.mark.parametrize("role", ["operator", "planner", "quality"])
def test_others_load_no_spreadsheets(visit: Visit, cast: Cast, role: str) -> None:
    cast.sign_in(visit, role)
    assert visit.get("/spreadsheets").status_code == 403


def test_what_cannot_be_read_is_told_and_not_kept(supervisor: Visit, own_engine: Engine) -> None:
    supervisor.get("/spreadsheets")
    answer = supervisor.post("/spreadsheets", file=(io.BytesIO(b"PK\x03\x04rubbish"), "x.xlsx"))
    assert answer.status_code == 400
    assert "is damaged" in seen(answer.text)
    assert count(own_engine, SpreadsheetUpload) == 0


def test_a_spreadsheet_is_removed_with_what_was_put_right(
    supervisor: Visit, own_engine: Engine
) -> None:
    path = upload(supervisor, [HEADER, *GOOD, *BAD])
    look(supervisor, path)
    form = form_on(rows(supervisor, path), path + "/fixes")
    supervisor.post(path + "/fixes", **{**form, "row": ["7"], "leave-7": "yes"})
    take(supervisor, path, "good")
    assert supervisor.post(path + "/remove").status_code == 303
    assert count(own_engine, SpreadsheetUpload) == count(own_engine, SpreadsheetFix) == 0
    assert len(entries(own_engine)) == 3
    assert supervisor.get(path).status_code == 404


def test_many_bad_rows_are_shown_page_by_page(supervisor: Visit) -> None:
    start = datetime.fromisoformat("2026-03-01T06:00:00")
    many = [[start + timedelta(minutes=n), None, 9, 9, "tomato", 1, None] for n in range(60)]
    path = upload(supervisor, [HEADER, *many])
    look(supervisor, path)
    first = supervisor.get(path + "/rows").text
    assert first.count('<fieldset class="panel sheet-row">') == 25
    last = supervisor.get(path + "/rows?page=3").text
    assert last.count('<fieldset class="panel sheet-row">') == 10
    assert "Page 3 of 3" in seen(last)


def test_readings_services_and_tools_come_in_by_the_same_door(
    supervisor: Visit, own_engine: Engine
) -> None:
    day = datetime.fromisoformat("2026-03-01T06:00:00")
    for sheet, kept in (
        ([["Date", "Line", "BM", "Counter"], [day, 1, 1, 500], [day, 1, 2, 900]], "new 2"),
        ([["Done", "Machine", "Service"], [day, "1-2", "minor"]], "new 1"),
        ([["Serial", "Type", "Life"], ["P-9", "punch", "30 000 000"]], "new 1"),
        ([["Pallet", "Line", "Start", "End"], ["N7", 1, day, day]], "new 1"),
    ):
        path = upload(supervisor, sheet)
        assert look(supervisor, path).status_code == 303, path
        assert kept in seen(rows(supervisor, path))
        assert take(supervisor, path).status_code == 303
