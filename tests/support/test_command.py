"""The command as other tests run it."""

import pytest

from tests.support.command import Command


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
