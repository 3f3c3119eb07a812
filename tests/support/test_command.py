"""The command as other tests run it."""

import subprocess
import sys

import pytest

from tests.support.command import Command
from tracelog.cli import COMMANDS

# What a module needs it loads itself; in a fork of one that has everything nobody would miss it.
RESOLVED = """
import importlib, sys
importlib.import_module(sys.argv[1])
from sqlalchemy.orm import configure_mappers
from tracelog.db import Base
configure_mappers()
for table in Base.metadata.tables.values():
    for key in table.foreign_keys:
        key.column
print(len(Base.metadata.tables))
"""


def tables_known_to(module: str) -> int:
    done = subprocess.run(
        [sys.executable, "-c", RESOLVED, module], capture_output=True, encoding="utf-8"
    )
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


@pytest.mark.parametrize("module", sorted({place.split(":")[0] for place in COMMANDS.values()}))
def test_a_command_loads_every_table_that_its_own_refer_to(module: str) -> None:
    assert tables_known_to(module) >= 0


@pytest.mark.parametrize("module", ["tracelog.keeping.commands", "tracelog.keeping.check_command"])
def test_what_looks_at_every_table_knows_every_table(module: str) -> None:
    assert tables_known_to(module) == tables_known_to("tracelog.schema")


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_wrong_usage_ends_with_status_2(command: Command) -> None:
    assert "No such command 'stamp'" in command("stamp", status=2).stderr


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_another_status_than_the_right_one_is_told(command: Command) -> None:
    with pytest.raises(AssertionError, match="status 2"):
        command("stamp")


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_it_can_be_stopped_while_it_runs(command: Command) -> None:
    running = command.start("--version")
    running.kill()
    running.communicate()
    assert running.returncode not in {0, 2}
