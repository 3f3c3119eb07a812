"""A name that is erased stands nowhere any more, and everything else is as it was."""

import contextlib
import io
import json
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import cast

import pytest
from sqlalchemy import Engine, String, Table, func, select, update
from sqlalchemy.orm import Session

from tests.intake.folders import EXTRA, GOOD, write_folder
from tests.people.trail.test_trail import guide_check
from tests.support.command import Command
from tests.support.site import CAST, Cast, Visit
from tracelog.audit import Actor, AuditRecord
from tracelog.config import Settings
from tracelog.db import Base, reading, writing
from tracelog.defects.models import Entry
from tracelog.errors import NotFound, TracelogError
from tracelog.intake.folder_import import import_folder
from tracelog.intake.importing import Importing
from tracelog.keeping.erasing.actions import erase_person
from tracelog.keeping.erasing.rules import without_name, words_replaced
from tracelog.keeping.integrity import look_over
from tracelog.keeping.making import back_up
from tracelog.people.actions import create_account, create_token
from tracelog.people.models import Account, KnownDevice, Token
from tracelog.people.queries import account_named
from tracelog.people.session_actions import open_session
from tracelog.people.trail.answers import record_line
from tracelog.people.trail.queries import TrailFilter, checked_record, whole_trail
from tracelog.plant.models import Coil as CoilRow

NOW = datetime(2026, 5, 1, 12, tzinfo=UTC)
ADA = Actor("ada", "administrator", "page")
NAMES = ("wilhelmina", "Wilhelmina Oakes")


@pytest.fixture
def known(own_engine: Engine, tmp_path: Path) -> Engine:
    """A plant in which Wilhelmina signed in, wrote entries, and had a token."""
    own = {"logged_by": NAMES[0]}
    files = {file: [*rows, EXTRA[file]] for file, rows in GOOD.items()}
    files["defects.csv"] = [{**row, **own} for row in files["defects.csv"]]
    wilhelmina = Actor(NAMES[0], "supervisor", "page")
    with writing(own_engine) as session:
        create_account(
            session, "ada", "Ada", "administrator", CAST["administrator"].secret, ADA, NOW
        )
        create_account(session, NAMES[0], NAMES[1], "supervisor", "seven lids of tin", ADA, NOW)
        account = account_named(session, NAMES[0])
        open_session(session, account, "password", None, "192.0.2.7", "a browser", NOW)
        session.add(
            KnownDevice(
                account_id=account.id, device_hash="0" * 64, address="192.0.2.7", last_at=NOW
            )
        )
        create_token(
            session, account, "gateway", "planner", wilhelmina, NOW, NOW + timedelta(days=9)
        )
    with writing(own_engine) as session:
        folder = write_folder(tmp_path / "plant", files)
        report = import_folder(Importing(session, folder, wilhelmina, NOW))
        assert not report.faults
    return own_engine


def found_in(session: Session, names: tuple[str, ...]) -> list[str]:
    """Every text column of every table in which one of the names stands."""
    return [
        f"{table.name}.{column.name}"
        for table in Base.metadata.sorted_tables
        for column in table.columns
        if isinstance(column.type, String)
        for text in session.execute(select(column)).scalars()
        if text is not None and any(name.lower() in text.lower() for name in names)
    ]


def test_a_name_stands_nowhere_once_it_is_erased_and_everything_is_whole(
    known: Engine, tmp_path: Path
) -> None:
    with writing(known) as session:
        before = set(found_in(session, NAMES))
        assert {"accounts.name", "audit_records.actor", "entries.logged_by"} <= before
        assert "current_entries.logged_by" in before
        count = len(session.execute(select(Entry)).all())
        done = erase_person(session, " Wilhelmina ", ADA, NOW)
    assert (done.pseudonym, done.left) == ("person 1", [])
    with writing(known) as session:
        assert found_in(session, NAMES) == []
        entries = session.execute(select(Entry.logged_by)).scalars().all()
        assert entries == ["person 1"] * count
        found = look_over(session, NOW, rebuild=False)
        assert (found.is_whole, found) == (True, found)
        account = session.execute(select(Account).where(Account.name == "person 1")).scalar_one()
        assert not account.active
        assert session.execute(select(KnownDevice)).all() == []
        assert session.execute(select(Token.revoked_at)).scalar_one() == NOW
        record = session.execute(
            select(AuditRecord).where(AuditRecord.action == "erase person")
        ).scalar_one()
        assert (record.actor, record.subject) == ("ada", "person 1")
        one = checked_record(session, 2)
        assert (one.is_as_written, one.is_erased, one.follows) == (True, True, True)
    path = tmp_path / "after.zip"
    back_up(known, path, Settings("sqlite://", "secret", tmp_path, ""), NOW)
    with zipfile.ZipFile(path) as archive:
        for member in archive.namelist():
            assert not any(n.lower().encode() in archive.read(member).lower() for n in NAMES)


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_a_record_altered_after_the_erasing_is_found_and_so_is_the_erasing_itself(
    known: Engine,
) -> None:
    with writing(known) as session:
        erase_person(session, NAMES[0], ADA, NOW)
    table = cast(Table, AuditRecord.__table__)
    with writing(known) as session:
        last = session.execute(select(func.max(AuditRecord.sequence))).scalar_one()
        for number, other in ((2, {"subject": "somebody else"}), (last, {"after": "{}"})):
            with session.begin_nested() as place:
                session.execute(update(table).where(table.c.sequence == number).values(other))
                said = look_over(session, NOW, rebuild=False).audit
                place.rollback()
            assert f"audit record {number} was altered after it was written" in said
        assert look_over(session, NOW, rebuild=False).audit == []
        session.rollback()


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_the_guides_check_passes_after_an_erasing_and_finds_what_is_altered_then(
    known: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with writing(known) as session:
        erase_person(session, NAMES[0], ADA, NOW)
    monkeypatch.chdir(tmp_path)
    with reading(known) as session:
        lines = [record_line(one) for one in whole_trail(session, TrailFilter())]
    file = tmp_path / "audit.jsonl"
    file.write_text("".join(lines), encoding="utf-8")
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        exec(compile(guide_check(), "docs/audit.md", "exec"), {})
    assert said.getvalue().startswith(f"{len(lines)} records")
    file.write_text("".join(lines).replace("person 1", "person 2", 3), encoding="utf-8")
    with pytest.raises(AssertionError):
        exec(compile(guide_check(), "docs/audit.md", "exec"), {})


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_a_second_name_whose_bearer_erased_the_first_is_erased_as_well(known: Engine) -> None:
    yolanda = Actor("yolanda", "administrator", "page")
    with writing(known) as session:
        erase_person(session, NAMES[0], yolanda, NOW)
    with writing(known) as session:
        done = erase_person(session, "yolanda", ADA, NOW)
    assert (done.pseudonym, done.left) == ("person 2", [])
    with writing(known) as session:
        assert found_in(session, ("yolanda",)) == []
        assert look_over(session, NOW, rebuild=False).is_whole


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_who_is_not_there_oneself_and_the_last_administrator_are_refused(known: Engine) -> None:
    with writing(known) as session:
        with pytest.raises(NotFound, match="nobody is called 'Nemo' here"):
            erase_person(session, "Nemo", ADA, NOW)
        with pytest.raises(TracelogError, match="is yourself"):
            erase_person(session, "ada", ADA, NOW)
        other = Actor(NAMES[0], "administrator", "command")
        with pytest.raises(TracelogError, match="the last active administrator"):
            erase_person(session, "ada", other, NOW)


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_page_api_and_command_erase_and_say_where_people_wrote_the_name(
    known: Engine, visit: Visit, cast: Cast, command: Command
) -> None:
    with writing(known) as session:
        session.execute(select(CoilRow).limit(1)).scalar_one().note = "Wilhelmina knows of it"
        create_account(session, "otto", "Otto", "operator", "402917", ADA, NOW)
        hers = account_named(session, NAMES[0]).id
    cast.sign_in(visit, "administrator")
    assert "Nobody can undo it" in visit.get(f"/accounts/{hers}/erase").text
    refused = visit.post(f"/accounts/{hers}/erase", name="otto")
    assert (refused.status_code, "is not the name of this account" in refused.text) == (400, True)
    done = visit.post(f"/accounts/{hers}/erase", name=NAMES[0])
    assert "under person 1" in done.text
    assert "coils" in done.text
    said = json.loads(command("erase-person", "otto", "--yes", "--json").stdout)
    assert (said["person"], said["left"]) == ("person 2", [])


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_the_api_erases_for_administrators_only(known: Engine, cast: Cast, visit: Visit) -> None:
    for role, status in (("supervisor", 403), ("administrator", 201)):
        cast.join(role)
        with writing(known) as session:
            account = account_named(session, CAST[role].name)
            actor = Actor(account.name, role, "page")
            ends = NOW + timedelta(days=400)
            token = create_token(session, account, f"t {role}", role, actor, NOW, ends)
        answer = visit.client.post(
            "/api/v1/erasures",
            json={"name": NAMES[0]},
            headers={"Authorization": f"Bearer {token}"},
        )
        assert answer.status_code == status, answer.text
    assert answer.json is not None
    assert answer.json["person"] == "person 1"


def test_json_keeps_what_is_not_a_person() -> None:
    text = '{"crew": "blue", "logged_by": "blue", "changes": [{"by": "blue", "note": "blue"}]}'
    done = (
        '{"changes": [{"by": "person 1", "note": "blue"}], "crew": "blue", "logged_by": "person 1"}'
    )
    assert without_name(text, ["blue"], "person 1") == done
    assert without_name("no JSON by blue", ["blue"], "person 1") == "no JSON by blue"
    assert words_replaced("anna met annabel", ["anna"], "person 1") == "person 1 met annabel"
