"""What lies in a plant folder is read and written there, wherever a name or a link would lead."""

import os
import sys
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.intake.folders import GOOD, exported, import_good, import_into, write_folder
from tests.web.test_sheets import SHEET
from tracelog.intake.files import FILES_BY_NAME
from tracelog.web.downloads import sheet_file

pytestmark = [
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
    pytest.mark.skipif(sys.platform == "win32", reason="links and pipes are of another kind there"),
]


def test_an_import_reads_no_pipe_and_no_name_that_leads_elsewhere(
    own_engine: Engine, tmp_path: Path
) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    (folder / "changes.csv").unlink()
    os.mkfifo(folder / "changes.csv")
    (folder / "services.csv").unlink()
    (folder / "services.csv").symlink_to("/dev/zero")
    done = import_good(own_engine, folder)
    assert {"changes.csv", "services.csv"}.isdisjoint(file.file for file in done.report.files)
    (folder / "..%2fsecrets.csv").write_text("x\n", encoding="utf-8")
    assert not import_into(own_engine, folder).is_kept
    assert all("/" not in name and "\\" not in name for name in FILES_BY_NAME)


def test_an_export_replaces_a_link_and_never_writes_through_it(
    own_engine: Engine, tmp_path: Path
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    outside = tmp_path / "outside.txt"
    outside.write_text("untouched", encoding="utf-8")
    out = tmp_path / "out"
    exported(own_engine, out)
    for name in ("coils.csv", f".coils.csv.{os.getpid()}.half", f".plant.toml.{os.getpid()}.half"):
        (out / name).unlink(missing_ok=True)
        (out / name).symlink_to(outside)
    exported(own_engine, out)
    assert outside.read_text(encoding="utf-8") == "untouched"
    assert not (out / "coils.csv").is_symlink()


@pytest.mark.parametrize(
    "name", ['x"; filename="y.exe', "a\r\nSet-Cookie: b=c", "../../etc/passwd"]
)
def test_the_name_of_a_saved_file_stays_one_name(name: str, own_engine: Engine) -> None:
    told = sheet_file(SHEET, name, "csv").headers["Content-Disposition"]
    assert told.startswith('attachment; filename="')
    assert told.count('"') == 2
    assert not {"\r", "\n", "/", ";"} & set(told.partition("filename=")[2])
