"""The audit trail: searched, compared, saved, and what was altered by hand is found out."""

import contextlib
import io
import json
import re
from pathlib import Path

import pytest
from flask import Flask
from sqlalchemy import Engine, text
from sqlalchemy.orm import Session

from tests.cases.small_case import BY, opened, step_fact, write_history
from tests.support.clock import Clock
from tests.support.command import Command
from tests.support.markup import seen
from tests.support.site import Cast, Visit
from tests.trends.small_log import day
from tracelog.audit import Actor, Subject, append
from tracelog.cases.step_actions import add_step
from tracelog.db import make_engine, writing
from tracelog.errors import NotFound
from tracelog.people.trail.queries import TrailFilter, checked_record, trail, whole_trail
from tracelog.people.trail.rules import Altered, altered

NILS = Actor("Nils", "quality", "api")


def written(session: Session) -> None:
    """Some writes, the last three of them known."""
    write_history(session)
    case_id = opened(session)
    add_step(session, step_fact(case_id, "note", day(6), text="100% of Rings"), BY, day(6))
    for cans, at in ((2, day(7)), (3, day(8))):
        subject = Subject("entry", f"entry {cans}")
        append(session, NILS, at, "correct entry", subject, {"cans": 1}, {"cans": cans})


@pytest.mark.parametrize(
    ("wanted", "count"),
    [
        (TrailFilter(who="Nils"), 2),
        (TrailFilter(who="nils"), 0),
        (TrailFilter(door="api"), 2),
        (TrailFilter(kind="entry", door="api"), 2),
        (TrailFilter(words=("entry", "3")), 1),
        (TrailFilter(words=("RINGS", "100%")), 1),
        (TrailFilter(words=("100_",)), 0),
        (TrailFilter(who="Nils", start=day(8)), 1),
        (TrailFilter(who="Nils", end=day(8)), 1),
    ],
)
def test_a_filter_finds_its_records_and_no_others(
    session: Session, wanted: TrailFilter, count: int
) -> None:
    written(session)
    assert len(trail(session, wanted, 100)) == count
    assert len(list(whole_trail(session, wanted))) == count


def test_pages_leave_nothing_out(session: Session) -> None:
    written(session)
    everything = [one.sequence for one in trail(session, TrailFilter(), 1000)]
    assert everything == list(range(len(everything), 0, -1))
    paged: list[int] = []
    while page := trail(session, TrailFilter(), 2, paged[-1] if paged else None):
        paged += [one.sequence for one in page]
    assert paged == everything
    assert [one.sequence for one in whole_trail(session, TrailFilter())] == everything[::-1]


def test_what_changed_is_told_by_name() -> None:
    assert altered('{"cans": 1, "note": "a"}', '{"cans": 2, "note": "a", "coil": null}') == [
        Altered("cans", "1", "2")
    ]
    assert altered(None, '{"part": {"deep": true}}') == [Altered("part", None, '{"deep": true}')]
    assert altered('{"a": "1"}', None) == [Altered("a", "1", None)]
    assert altered(None, None) == []


@pytest.mark.parametrize(
    "column", ["actor", "door", "action", "subject_kind", "subject", "before", "after"]
)
def test_a_record_that_was_altered_by_hand_is_found_out(session: Session, column: str) -> None:
    written(session)
    last = trail(session, TrailFilter(), 1)[0].sequence
    assert checked_record(session, last).is_as_written
    session.execute(
        text(f"UPDATE audit_records SET {column} = 'x' WHERE sequence = :number"),
        {"number": last},
    )
    session.expire_all()
    found = checked_record(session, last)
    assert (found.is_as_written, found.follows) == (False, True)


def test_a_record_after_a_missing_one_does_not_follow(session: Session) -> None:
    written(session)
    last = trail(session, TrailFilter(), 1)[0].sequence
    assert checked_record(session, 1).follows
    session.execute(
        text("DELETE FROM audit_records WHERE sequence = :number"), {"number": last - 1}
    )
    session.expire_all()
    found = checked_record(session, last)
    assert (found.is_as_written, found.follows) == (True, False)
    with pytest.raises(NotFound, match="no audit record"):
        checked_record(session, last - 1)


@pytest.fixture
def site(own_engine: Engine, application: Flask, visit: Visit, cast: Cast, clock: Clock) -> Visit:
    with writing(own_engine) as session:
        written(session)
    clock.instant = day(10)
    cast.sign_in(visit, "quality")
    return visit


def test_the_page_lists_searches_and_opens_a_record(site: Visit) -> None:
    page = site.get("/audit?words=correct&from=2026-01-01").text
    numbers = re.findall(r'href="/audit/(\d+)"', page)
    assert len(numbers) == 2
    assert "cans: 1 → 3" in seen(page)
    record = seen(site.get(f"/audit/{numbers[0]}").text)
    assert "As it was written yes" in record
    assert "Follows the record before it yes" in record
    assert site.get("/audit/999999").status_code == 404
    assert site.get("/audit/99999999999999999999999").status_code == 404
    wrong = site.get("/audit?from=yesterday")
    assert wrong.status_code == 400
    assert "yesterday" in seen(wrong.text)
    assert "No such records" in site.get("/audit?words=nothing-like-it").text


def test_files_hold_the_same_records(site: Visit) -> None:
    table = site.get("/audit.csv?who=Nils").text.splitlines()
    assert table[0].startswith("number,at,who")
    assert len(table) == 3
    assert site.get("/audit.xlsx").status_code == 200
    lines = site.get("/audit.jsonl?who=Nils").text.splitlines()
    assert [json.loads(one)["subject"] for one in lines] == ["entry 2", "entry 3"]
    assert site.get("/audit.pdf").status_code == 404


def test_the_api_gives_pages(site: Visit) -> None:
    first = site.get("/api/v1/audit?who=Nils&limit=1").json
    assert first is not None
    assert [one["subject"] for one in first["records"]] == ["entry 3"]
    rest = site.get(f"/api/v1/audit?before={first['next_before']}&limit=1000").json
    assert rest is not None
    assert rest["records"][0]["number"] == first["records"][-1]["number"] - 1
    assert rest["next_before"] is None
    assert site.get("/api/v1/audit?limit=0").status_code == 400


@pytest.mark.parametrize("role", ["operator", "planner"])
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_those_who_may_not_read_it_do_not(
    visit: Visit, cast: Cast, application: Flask, role: str
) -> None:
    cast.sign_in(visit, role)
    for address in ("/audit", "/audit/1", "/audit.csv", "/audit.jsonl", "/api/v1/audit"):
        assert visit.get(address).status_code == 403
    assert 'href="/audit"' not in visit.get("/me").text


def guide_check() -> str:
    """The check that the guide gives to auditors."""
    guide = Path(__file__).parents[3] / "docs" / "audit.md"
    blocks = re.findall(r"```python\n(.*?)```", guide.read_text(encoding="utf-8"), re.S)
    assert len(blocks) == 1
    return str(blocks[0])


def test_the_guides_check_passes_a_whole_export_and_no_altered_one(
    database_url: str, command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    engine = make_engine(database_url)
    with writing(engine) as session:
        written(session)
    engine.dispose()
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "audit.jsonl"
    command("audit", "--jsonl", str(file))
    lines = file.read_text(encoding="utf-8").splitlines()
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        exec(compile(guide_check(), "docs/audit.md", "exec"), {})
    assert said.getvalue().startswith(f"{len(lines)} records")
    for altered_lines in (
        [*lines[:-2], lines[-1]],
        [*lines[:-1], lines[-1].replace("entry 3", "entry 4")],
    ):
        file.write_text("\n".join(altered_lines) + "\n", encoding="utf-8")
        with pytest.raises(AssertionError):
            exec(compile(guide_check(), "docs/audit.md", "exec"), {})


def test_the_command_tells_the_newest_first(database_url: str, command: Command) -> None:
    engine = make_engine(database_url)
    with writing(engine) as session:
        written(session)
    engine.dispose()
    told = command("audit", "--who", "Nils").stdout
    assert told.index("entry 3") < told.index("entry 2")
    found = json.loads(command("audit", "--most", "1", "--json").stdout)
    assert [one["subject"] for one in found["records"]] == ["entry 3"]
    command("audit", "--door", "window", status=2)
