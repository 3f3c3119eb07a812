"""An archive that was made to do harm is refused by its names and sizes; nothing is unpacked."""

import warnings
import zipfile
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tracelog import audit
from tracelog.audit import Actor, Subject
from tracelog.config import Settings
from tracelog.db import writing
from tracelog.errors import TracelogError
from tracelog.instants import now
from tracelog.keeping import archive
from tracelog.keeping.archive import MANIFEST, reading_archive
from tracelog.keeping.making import back_up

pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
Members = list[tuple[zipfile.ZipInfo | str, bytes]]


@pytest.fixture
def path(own_engine: Engine, tmp_path: Path) -> Path:
    """A whole backup with one row in it."""
    with writing(own_engine) as session:
        actor = Actor("tests", "administrator", "command")
        audit.append(session, actor, now(), "looked", Subject("plant", "all"))
    place = tmp_path / "backups" / "all.zip"
    place.parent.mkdir()
    back_up(own_engine, place, Settings("sqlite://", "x", tmp_path), now())
    return place


def _members(path: Path) -> Members:
    with zipfile.ZipFile(path) as source:
        return [(one.filename, source.read(one)) for one in source.infolist()]


def _rewritten(path: Path, members: Members) -> None:
    with warnings.catch_warnings(), zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        # A name that is there twice, on purpose.
        warnings.simplefilter("ignore")
        for name, content in members:
            target.writestr(name, content)


def test_names_that_lead_elsewhere_twice_or_to_nothing_are_refused(
    path: Path, tmp_path: Path
) -> None:
    members = _members(path)
    link = zipfile.ZipInfo("tables/link.jsonl")
    link.create_system, link.external_attr = 3, 0o120777 << 16
    for name in (
        *("/outside.txt", "../outside.txt", "..\\outside.txt", "C:\\outside.txt", "NUL"),
        *("tables/../../outside.txt", "tables/plants.jsonl", "tables/", link),
    ):
        _rewritten(path, [*members, (name, b"/etc/passwd")])
        with pytest.raises(TracelogError, match="is no whole backup"), reading_archive(path):
            pass
    assert [one for one in tmp_path.rglob("*") if "outside" in one.name] == []
    _rewritten(path, members)
    with reading_archive(path) as whole:
        assert whole.manifest.tables


def test_sizes_that_no_backup_has_are_refused(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    members = _members(path)
    # Ten million blanks pack into some kilobytes.
    for grown in (MANIFEST, "tables/plants.jsonl"):
        _rewritten(path, [(n, c + b" " * 10_000_001 if n == grown else c) for n, c in members])
        assert path.stat().st_size < 1_000_000
        with pytest.raises(TracelogError, match="is no whole backup"), reading_archive(path):
            pass
    _rewritten(path, members)
    monkeypatch.setattr(archive, "_MOST_ROW_BYTES", 5)
    with reading_archive(path) as whole:
        [table] = [one for one in whole.manifest.tables if one.name == "audit_records"]
        rows = whole.rows(table)
        with pytest.raises(ValueError, match="longer than any row"):
            next(rows)
