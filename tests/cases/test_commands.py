"""The command `tracelog cases`: the list as table, JSON and CSV, and one case."""

import csv
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.orm import Session

from tests.cases.small_case import acted, opened, write_history
from tests.support.command import Command
from tracelog.db import make_engine, new_id, writing


@contextmanager
def made(url: str) -> Iterator[Session]:
    """A session that writes to the command's database."""
    engine = make_engine(url)
    with writing(engine) as session:
        yield session
    engine.dispose()


def test_the_list_and_one_case_are_told(
    database_url: str, command: Command, tmp_path: Path
) -> None:
    with made(database_url) as session:
        write_history(session)
        case_id = opened(session)
        acted(session, case_id)
        opened(session, title="another", place="2")
    listed = json.loads(command("cases", "list", "--state", "watching", "--json").stdout)
    assert [one["id"] for one in listed["cases"]] == [str(case_id)]
    table = command("cases", "list", "--oldest").stdout
    assert table.index("splits on 1-1") < table.index("another")
    file = tmp_path / "cases.csv"
    command("cases", "list", "--line", "1", "--csv", str(file))
    rows = list(csv.DictReader(file.read_text("utf-8").splitlines()))
    assert [(one["title"], one["state"]) for one in rows] == [("splits on 1-1", "watching")]
    shown = command("cases", "show", str(case_id)).stdout
    assert "splits on 1-1: split on 1-1, watching" in shown
    assert "before: 10 in 5,000,000 strokes; after: 0 in 5,000,000 (held)" in shown
    assert "third ring new" in shown
    whole = json.loads(command("cases", "show", str(case_id), "--json").stdout)
    assert whole["numbers"]["verdict"] == "held"
    assert whole["cost"]["cans"] == 10


def test_what_is_not_there_is_told(database_url: str, command: Command) -> None:
    with made(database_url) as session:
        write_history(session)
    missing = command("cases", "show", str(new_id()), status=1)
    assert "there is no case" in missing.stderr
    assert "line 9" in command("cases", "list", "--line", "9", status=1).stderr
    command("cases", "list", "--state", "gone", status=2)
