"""A folder is looked through before its import: nobody waits for what is there already."""

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError

from tests.intake.folders import (
    ACTOR,
    GOOD,
    NOW,
    PLANT,
    content,
    good_rows,
    import_good,
    import_into,
    sentences,
    write_folder,
)
from tracelog.db import looking, writing
from tracelog.intake import folder_import, looking_ahead
from tracelog.intake.files import FILES
from tracelog.intake.importing import KnownPieces, no_progress
from tracelog.intake.looking_ahead import look_ahead
from tracelog.outcomes import Became


@pytest.fixture(autouse=True)
def pieces_of_two(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pieces of two rows, where a file is taken in pieces at all."""
    small = tuple(replace(file, rows_at_once=file.rows_at_once and 2) for file in FILES)
    for module in (folder_import, looking_ahead):
        monkeypatch.setattr(module, "FILES", small)


def known(engine: Engine, folder: Path) -> dict[str, KnownPieces]:
    return look_ahead(engine, folder, ACTOR, NOW, no_progress)


def taken(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, int]]:
    """File and number of rows of each piece that an action is handed while importing."""
    seen: list[tuple[str, int]] = []
    watched = []
    for file in folder_import.FILES:

        def record(*args: Any, file: Any = file) -> Any:
            facts: Sequence[Any] = args[1]
            seen.append((file.name, len(facts)))
            return file.record(*args)

        watched.append(replace(file, record=record))
    monkeypatch.setattr(folder_import, "FILES", tuple(watched))
    return seen


def test_all_of_a_folder_that_was_imported_is_known(own_engine: Engine, tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    assert known(own_engine, folder) == {}
    import_good(own_engine, folder)
    found = known(own_engine, folder)
    assert {name: sum(one.rows) for name, one in found.items()} == {
        name: len(rows) for name, rows in GOOD.items()
    }
    assert found["readings.csv"].rows == (2, 2, 1)


def test_nobody_is_kept_waiting_by_it_and_it_waits_for_nobody(
    own_engine: Engine, tmp_path: Path
) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    import_good(own_engine, folder)
    rows = good_rows()
    rows["pallets.csv"].append({"pallet": "N3", "line": "1", "started_at": "2026-03-01T07:00:00Z"})
    write_folder(tmp_path / "more", rows)
    with writing(own_engine) as session:
        session.execute(text("UPDATE audit_records SET action = action WHERE sequence = 1"))
        found = known(own_engine, tmp_path / "more")
        session.rollback()
    assert found["pallets.csv"].rows == (2,)
    assert sum(found["defects.csv"].rows) == len(GOOD["defects.csv"])


def test_only_what_is_new_is_handed_on_and_all_is_counted(
    own_engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    rows = good_rows()
    rows["pallets.csv"].append({"pallet": "N3", "line": "1", "started_at": "2026-03-01T07:00:00Z"})
    folder = write_folder(tmp_path / "more", rows)
    seen = taken(monkeypatch)
    done = import_good(own_engine, folder)
    assert seen == [("pallets.csv", 1)]
    counts = {file.file: file.became for file in done.report.files}
    assert counts["pallets.csv"] == {Became.UNCHANGED: 2, Became.CREATED: 1}
    assert all(
        became[Became.UNCHANGED] == len(GOOD.get(name, [1]))
        for name, became in counts.items()
        if name != "pallets.csv"
    )


def test_what_is_wrong_is_told_as_without_it(own_engine: Engine, tmp_path: Path) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    before = content(own_engine)
    rows = good_rows()
    rows["readings.csv"][3]["strokes"] = "6"
    rows["coils.csv"].append({"coil": "K3", "gauge_mm": "thick"})
    folder = write_folder(tmp_path / "wrong", rows)
    told = sentences(import_into(own_engine, folder))
    assert told[0].startswith("coils.csv:4: gauge_mm: 'thick' is not a number")
    assert told[1].startswith("readings.csv:5: strokes: ")
    assert len(told) == 2
    assert content(own_engine) == before


def test_a_file_that_changes_meanwhile_is_read_as_it_is_then(
    own_engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    import_good(own_engine, folder)
    rows = good_rows()
    rows["coils.csv"][0]["coil"] = "K9"

    def looked(*args: Any) -> dict[str, KnownPieces]:
        found = look_ahead(*args)
        write_folder(folder, rows)
        os.utime(folder / "coils.csv", ns=(1, 1))
        return found

    monkeypatch.setattr(folder_import, "look_ahead", looked)
    done = import_good(own_engine, folder)
    counts = {file.file: file.became for file in done.report.files}
    assert counts["coils.csv"] == {Became.UNCHANGED: 1, Became.CREATED: 1}


def test_nothing_is_known_of_a_folder_with_another_clock(
    own_engine: Engine, tmp_path: Path
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    folder = write_folder(tmp_path / "moved", GOOD)
    (folder / "plant.toml").write_text(PLANT.replace("Europe/Madrid", "Atlantic/Azores"))
    assert known(own_engine, folder) == {}


def test_a_session_that_looks_cannot_write_and_leaves_no_trace(own_engine: Engine) -> None:
    statement = text("INSERT INTO alembic_version VALUES ('nothing')")
    with looking(own_engine) as session, pytest.raises(DBAPIError):
        session.execute(statement)
    # The connection goes back to the pool, and writes again.
    for _each in range(3):
        with writing(own_engine) as session:
            session.execute(statement)
            session.rollback()
