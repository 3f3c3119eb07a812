"""A case as an archive: complete, checkable, the same bytes for the same case."""

import hashlib
import io
import json
import uuid
import zipfile
from pathlib import Path

import pytest
from flask import Flask
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tests.cases.small_case import BY, ZONE, opened, write_history
from tests.defects.photos.small_pictures import picture
from tests.support.clock import Clock
from tests.support.command import Command
from tests.support.site import Cast, Visit
from tests.trends.small_log import day
from tracelog.cases.complaints.actions import write_complaint
from tracelog.cases.complaints.facts import ComplaintFact
from tracelog.cases.links.actions import link, unlink
from tracelog.cases.links.facts import LinkFact, UnlinkFact
from tracelog.cases.links.queries import links_of
from tracelog.cases.whole.packing import packed_case
from tracelog.cases.whole.queries import whole_case
from tracelog.db import make_engine, new_id, writing
from tracelog.defects.models import CurrentEntry
from tracelog.defects.photos.actions import keep_photo
from tracelog.defects.photos.facts import PhotoFact


def linked(session: Session, case_id: uuid.UUID, target: str, name: str) -> None:
    fact = LinkFact.read({"case": str(case_id), target: name}, ZONE)
    assert link(session, fact, BY, day(10)).is_kept


def kept(session: Session, content: bytes, entry: uuid.UUID | None = None) -> str:
    """Keep a picture; its id."""
    said: dict[str, object] = {"id": str(new_id()), "photo": content}
    if entry is not None:
        said["entry"] = str(entry)
    keep_photo(session, PhotoFact.read(said, ZONE), BY, day(10))
    return str(said["id"])


def case_with_pictures(session: Session) -> tuple[uuid.UUID, list[str]]:
    """A case with one picture of its own, one of an entry and one of a complaint."""
    write_history(session)
    case_id = opened(session)
    entry = session.query(CurrentEntry.entry_id).order_by(CurrentEntry.entry_id).first()
    assert entry is not None
    photos = [
        kept(session, picture("PNG", (30, 20))),
        kept(session, picture("JPEG", (40, 20)), entry.entry_id),
        kept(session, picture("PNG", (50, 20))),
        kept(session, picture("PNG", (60, 20))),
    ]
    said = {"received_at": day(3).isoformat(), "note": "split cans", "photo": photos[2]}
    write_complaint(session, ComplaintFact.read(said, ZONE), BY, day(5))
    for target, name in (
        *(("photo", photos[0]), ("entry", str(entry.entry_id)), ("complaint", "1")),
        ("photo", photos[3]),
    ):
        linked(session, case_id, target, name)
    last = links_of(session, case_id)[-1]
    back = {"case": str(case_id), "id": str(last.id), "reason": "another case"}
    unlink(session, UnlinkFact.read(back, ZONE), BY, day(10))
    return case_id, photos


def packed(session: Session, case_id: uuid.UUID) -> bytes:
    return packed_case(session, whole_case(session, case_id, day(10)), day(10))


def test_it_holds_the_case_and_the_pictures_of_what_belongs_to_it(session: Session) -> None:
    case_id, photos = case_with_pictures(session)
    archive = zipfile.ZipFile(io.BytesIO(packed(session, case_id)))
    told = json.loads(archive.read("case.json"))
    assert told["id"] == str(case_id)
    assert told["numbers"]["before"]["happenings"] == 10
    assert {one["id"] for one in told["pictures"]} == {*photos[:3]}
    assert {one["file"] for one in told["pictures"]} == {
        name for name in archive.namelist() if name.startswith("pictures/")
    }
    for one in told["pictures"]:
        content = archive.read(one["file"])
        assert hashlib.sha256(content).hexdigest() == Path(one["file"]).stem


def test_its_sums_are_those_of_every_other_file(session: Session) -> None:
    case_id, _photos = case_with_pictures(session)
    archive = zipfile.ZipFile(io.BytesIO(packed(session, case_id)))
    lines = archive.read("SHA256SUMS").decode().splitlines()
    sums = {name: digest for digest, name in (line.split("  ") for line in lines)}
    assert {*sums} == {*archive.namelist()} - {"SHA256SUMS"}
    for name, digest in sums.items():
        assert hashlib.sha256(archive.read(name)).hexdigest() == digest


def test_the_same_case_gives_the_same_bytes(session: Session) -> None:
    case_id, _photos = case_with_pictures(session)
    assert packed(session, case_id) == packed(session, case_id)


def test_the_page_saves_it(
    own_engine: Engine, application: Flask, visit: Visit, cast: Cast, clock: Clock
) -> None:
    with writing(own_engine) as session:
        case_id, _photos = case_with_pictures(session)
    clock.instant = day(10)
    address = f"/cases/{case_id}.zip"
    assert visit.get(address).status_code in (302, 303, 401)
    cast.sign_in(visit, "operator")
    assert address in visit.get(f"/cases/{case_id}").text
    answer = visit.get(address)
    assert answer.headers["Content-Type"] == "application/zip"
    assert f"case-{case_id}.zip" in answer.headers["Content-Disposition"]
    assert len(zipfile.ZipFile(io.BytesIO(answer.data)).namelist()) == 5
    assert visit.get(f"/cases/{new_id()}.zip").status_code == 404


def test_the_command_writes_the_archive(
    database_url: str, command: Command, tmp_path: Path
) -> None:
    engine = make_engine(database_url)
    with writing(engine) as session:
        case_id, _photos = case_with_pictures(session)
    engine.dispose()
    file = tmp_path / "case.zip"
    command("cases", "show", str(case_id), "--archive", str(file))
    assert json.loads(zipfile.ZipFile(file).read("case.json"))["title"] == "splits on 1-1"
    beyond = tmp_path / "no" / "case.zip"
    told = command("cases", "show", str(case_id), "--archive", str(beyond), status=1)
    assert "cannot be written" in told.stderr


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_a_case_without_pictures_is_packed_too(session: Session) -> None:
    write_history(session)
    archive = zipfile.ZipFile(io.BytesIO(packed(session, opened(session))))
    assert sorted(archive.namelist()) == ["SHA256SUMS", "case.json"]
    assert json.loads(archive.read("case.json"))["pictures"] == []
