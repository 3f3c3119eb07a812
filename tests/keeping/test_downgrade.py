"""The way back from a version: the tables go back with what they hold, and up again."""

from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.intake.folders import GOOD, exported, import_good, write_folder
from tests.support.command import Command
from tests.support.databases import Kind

BEFORE = "2026_11_27_seals"


def test_it_goes_back_and_up_again_with_all_facts(
    own_engine: Engine, command: Command, tmp_path: Path, database_kind: Kind
) -> None:
    folder = tmp_path
    import_good(own_engine, write_folder(folder / "plant", GOOD))
    before = exported(own_engine, folder / "before")
    own_engine.dispose()
    assert "of version 2026_11_27_seals now" in command("downgrade", BEFORE, "--yes").stdout
    if database_kind == "postgresql":
        assert "run 'tracelog upgrade' first" in command("check", status=1).stderr
    command("upgrade")
    assert "Everything is in order" in command("check").stdout
    assert exported(own_engine, folder / "after") == before


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_what_cannot_be_is_told(own_engine: Engine, command: Command, tmp_path: Path) -> None:
    assert "no version before" in command("downgrade", "nothing", "--yes", status=1).stderr
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    told = command("downgrade", "2026_11_27_notices", "--yes", status=1).stderr
    assert "could not be verified any more; restore the backup" in told
    assert "Aborted" in command("downgrade", BEFORE, status=1, typed="n\n").stderr
    with own_engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '2030_later'")
    for words in (["check"], ["upgrade"]):
        assert "later version, '2030_later'" in command(*words, status=1).stderr
