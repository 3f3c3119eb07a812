"""`tracelog import FILE --mapping NAME`: a sheet with a known header, without the browser."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import Engine, func, select

from tests.intake.folders import import_good, write_folder
from tests.intake.spreadsheets.books import xlsx
from tests.intake.spreadsheets.test_spreadsheet_pages import BAD, GOOD, HEADER, PLANT
from tests.support.command import Command
from tracelog.audit import Actor
from tracelog.db import reading, writing
from tracelog.defects.models import Entry
from tracelog.intake.spreadsheets.actions import keep_mapping, keep_upload

NOW = datetime(2026, 4, 1, 12, tzinfo=UTC)
ADA = Actor("ada", "administrator", "page")


@pytest.fixture
def kept(own_engine: Engine, tmp_path: Path) -> Engine:
    """A plant, and a mapping under the name ``daily``."""
    import_good(own_engine, write_folder(tmp_path / "plant", PLANT))
    with writing(own_engine) as session:
        upload = keep_upload(session, "x.xlsx", xlsx([HEADER, *GOOD]), ADA, NOW)
        keep_mapping(session, upload, "daily", ADA, NOW)
    return own_engine


def entries(engine: Engine) -> int:
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(Entry)).scalar_one()


def sheet(tmp_path: Path, *rows: list[object]) -> Path:
    path = tmp_path / "scrap.xlsx"
    path.write_bytes(xlsx([HEADER, *[[*row[:4], "pinhole", *row[5:]] for row in rows]]))
    return path


def test_a_sheet_is_taken_in_once(kept: Engine, command: Command, tmp_path: Path) -> None:
    path = sheet(tmp_path, *GOOD)
    assert "Imported." in command("import", path, "--mapping", "daily").stdout
    assert entries(kept) == 3
    done = json.loads(command("import", path, "--mapping", "daily", "--json").stdout)
    assert (done["written"], done["became"]) == (True, {"unchanged": 3})
    assert entries(kept) == 3


def test_a_dry_run_writes_nothing(kept: Engine, command: Command, tmp_path: Path) -> None:
    told = command("import", sheet(tmp_path, *GOOD), "--mapping", "daily", "--dry-run").stdout
    assert "Only looked" in told
    assert entries(kept) == 0


def test_a_bad_row_is_told_and_keeps_all_out(
    kept: Engine, command: Command, tmp_path: Path
) -> None:
    path = sheet(tmp_path, *GOOD, BAD[0])
    told = command("import", path, "--mapping", "daily", status=1).stderr
    assert "scrap.xlsx:5: seen_at: 2026-03-29 02:30:00 does not exist in Europe/Madrid" in told
    assert entries(kept) == 0
    command("import", path, "--mapping", "daily", "--keep-good")
    assert entries(kept) == 3


def test_a_sheet_needs_a_mapping_that_was_kept(
    kept: Engine, command: Command, tmp_path: Path
) -> None:
    path = sheet(tmp_path, *GOOD)
    assert "kept are: daily" in command("import", path, "--mapping", "x", status=1).stderr
    assert "--mapping" in command("import", path, status=1).stderr
    assert entries(kept) == 0
