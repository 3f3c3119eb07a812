"""An import or an upgrade that is killed at any statement: all of it is there, or nothing."""

import random
import signal
from pathlib import Path

import pytest
from sqlalchemy import Engine, inspect, text

from tests.faults.killing import run
from tests.intake.folders import GOOD, content, write_folder
from tests.support.command import Command
from tests.support.databases import Databases
from tracelog.db import is_current, make_engine, revision_of, upgrade

POINTS = 2
# Tables with rows of every early room; what came later is what the upgrade adds.
FEWEST_STATEMENTS = 45
ROW = (
    "INSERT INTO plants (id, name, time_zone) VALUES"
    " ('0198c1f07a4e7cc180003f1b6a2d9e55', 'Alder Point', 'Europe/Madrid')"
)
OLD_VERSION = "2026_11_26_whole_cases"


def test_an_import_that_is_killed_at_any_statement_leaves_nothing(
    own_engine: Engine, command: Command, tmp_path: Path, chance: random.Random
) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    before = content(own_engine)
    _status, statements = run(command, ("import", "--dry-run", folder))
    own_engine.dispose()
    for die_at in sorted(chance.sample(range(1, statements + 1), POINTS)):
        status, _sent = run(command, ("import", folder), die_at)
        assert status == -signal.SIGKILL, f"it ended before statement {die_at}"
        assert content(own_engine) == before, f"killed before statement {die_at}"
        own_engine.dispose()
    assert run(command, ("import", folder))[0] == 0
    assert len(content(own_engine)["pallets"]) == len(GOOD["pallets.csv"])
    assert run(command, ("check",))[0] == 0


def _revision(engine: Engine) -> str:
    with engine.connect() as connection:
        return revision_of(connection)


def _tables(engine: Engine) -> dict[str, set[str]]:
    looked = inspect(engine)
    return {
        name: {str(column["name"]) for column in looked.get_columns(name)}
        for name in looked.get_table_names()
    }


@pytest.fixture
def older(databases: Databases) -> str:
    """Address of a database of the first version that has rows."""
    url = databases.empty()
    engine = make_engine(url)
    upgrade(engine, OLD_VERSION)
    engine.dispose()
    return url


def test_an_upgrade_that_is_killed_at_any_statement_has_done_nothing(
    older: str, tmp_path: Path, chance: random.Random
) -> None:
    command = Command(older, tmp_path)
    engine = make_engine(older)
    before, tables = _revision(engine), _tables(engine)
    with engine.begin() as connection:
        connection.execute(text(ROW))
    for die_at in sorted(chance.sample(range(1, FEWEST_STATEMENTS), POINTS)):
        engine.dispose()
        status, _sent = run(command, ("upgrade",), die_at)
        assert status == -signal.SIGKILL, f"it ended before statement {die_at}"
        assert _revision(engine) == before, f"killed before statement {die_at}"
        assert _tables(engine) == tables, f"killed before statement {die_at}"
    engine.dispose()
    status, sent = run(command, ("upgrade",))
    assert status == 0
    assert sent >= FEWEST_STATEMENTS
    assert is_current(engine)
    with engine.connect() as connection:
        assert connection.execute(text("SELECT name FROM plants")).scalars().all() == [
            "Alder Point"
        ]
    assert run(command, ("check",))[0] == 0
    engine.dispose()
