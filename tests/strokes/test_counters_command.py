"""`tracelog counters`: what is open, as a table and as the documented object."""

import json

import pytest

from tests.support.command import Command
from tests.support.plants import ENDS_AT
from tracelog.instants import write_instant

NOW = write_instant(ENDS_AT)


@pytest.mark.small_plant
def test_the_two_planted_jumps_are_listed(command: Command) -> None:
    answer = json.loads(command("counters", "--as-of", NOW, "--json").stdout)
    assert answer["as_of"] == NOW
    assert [(one["machine"], one["kind"]) for one in answer["questions"]] == [
        ("1-3", "backward jump"),
        ("2-2", "backward jump"),
    ]
    assert all(one["to_strokes"] < one["from_strokes"] for one in answer["questions"])
    assert "settled" not in answer
    table = command("counters", "--as-of", NOW, "--settled").stdout
    assert table.count("backward jump") == 2
    assert "Settled" in table
    assert "None" not in table


@pytest.mark.small_plant
def test_as_of_an_instant_later_jumps_are_not_known(command: Command) -> None:
    answer = json.loads(command("counters", "--as-of", "2026-06-20T06:00", "--json").stdout)
    assert [one["machine"] for one in answer["questions"]] == ["1-3"]
    silent = json.loads(command("counters", "--as-of", "2026-07-02T06:00", "--json").stdout)
    assert [one["kind"] for one in silent["questions"]].count("silence") == 8
    assert "is not an instant" in command("counters", "--as-of", "then", status=2).stderr
