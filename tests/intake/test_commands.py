"""The commands as people call them: what they print, where, and how they end."""

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, text

from tests.intake.conftest import Run
from tests.intake.folders import EXTRA, GOOD, content, good_rows, row_count, write_folder
from tests.support.command import Command
from tracelog.db import writing
from tracelog.intake.files import FILES


def test_an_import_prints_what_became_of_each_file(run: Run, tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    done = run("import", folder)
    for file in FILES:
        assert file.name in done.stdout
    assert "Imported." in done.stdout
    assert done.stderr == ""
    again = json.loads(run("import", folder, "--json").stdout)
    assert again["written"] is True
    assert again["faults"] == []
    assert {file["file"]: file["unchanged"] for file in again["files"]} == {
        "plant.toml": 1,
        **{name: len(rows) for name, rows in GOOD.items()},
    }


def test_bad_rows_are_told_on_stderr_one_line_each(run: Run, tmp_path: Path) -> None:
    rows = good_rows()
    rows["readings.csv"][2]["strokes"] = "many\n\nmore"
    rows["readings.csv"].append(EXTRA["readings.csv"] | {"line": "x"})
    folder = write_folder(tmp_path / "plant", rows)
    for options in ([], ["--dry-run"], ["--json"]):
        done = run("import", folder, *options, status=1)
        told = done.stderr.splitlines()
        assert len(told) == 2
        assert told[0].startswith("readings.csv:4: strokes: 'many")
        # The row before it spans three lines of the file.
        assert told[1].startswith("readings.csv:9: line: 'x' is not a whole number")
    faults = json.loads(done.stdout)["faults"]
    assert [(one["file"], one["line"], one["column"]) for one in faults] == [
        ("readings.csv", 4, "strokes"),
        ("readings.csv", 9, "line"),
    ]


def test_keep_good_ends_well_and_names_the_rejected_rows(run: Run, tmp_path: Path) -> None:
    rows = good_rows()
    rows["readings.csv"][2]["strokes"] = "many"
    folder = write_folder(tmp_path / "plant", rows)
    done = run("import", folder, "--keep-good")
    assert "readings.rejected.csv" in done.stdout
    assert done.stderr.startswith("readings.csv:4: strokes: ")
    assert (folder / "readings.rejected.csv").exists()


def test_no_folder_is_wrong_usage(run: Run, tmp_path: Path) -> None:
    assert "does not exist" in run("import", tmp_path / "nowhere", status=2).stderr


def test_no_plant_is_one_clear_line(run: Run, tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "plant", {"lines.csv": [{"line": "1"}]})
    (folder / "plant.toml").unlink()
    assert run("import", folder, status=1).stderr == (
        "tracelog: this database holds no plant yet; import a folder with a plant.toml\n"
    )
    assert run("export", tmp_path / "out", status=1).stderr == (
        "tracelog: this database holds no plant yet, so there is nothing to export\n"
    )


def test_an_export_prints_its_files_and_comes_back_unchanged(run: Run, tmp_path: Path) -> None:
    run("import", write_folder(tmp_path / "plant", GOOD))
    assert "readings.csv" in run("export", tmp_path / "out").stdout
    rows = json.loads(run("export", tmp_path / "out", "--json").stdout)["files"]
    assert rows == {name: len(rows) for name, rows in GOOD.items()}
    assert "created" not in run("import", tmp_path / "out").stdout.lower()


@pytest.mark.parametrize("name", ["import", "export", "check"])
def test_help_has_an_example(run: Run, name: str) -> None:
    assert f"Example: tracelog {name}" in run(name, "--help").stdout


def test_a_whole_database_is_in_order(run: Run, tmp_path: Path) -> None:
    assert "in order" in run("check").stdout
    run("import", write_folder(tmp_path / "plant", GOOD))
    assert "in order" in run("check").stdout
    assert json.loads(run("check", "--json").stdout) == {
        "whole": True,
        "audit": [],
        "references": [],
        "rows": [],
        "derived": [],
        "rebuilt": False,
    }


def _but_when(rows: dict[str, list[tuple[Any, ...]]]) -> dict[str, list[tuple[Any, ...]]]:
    """All tables but the one that says when signals were worked out last, and its seals."""
    rows = {name: found for name, found in rows.items() if name != "signal_progress"}
    return rows | {"row_seals": [one for one in rows["row_seals"] if "signal_progress" not in one]}


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (
            "UPDATE stroke_hours SET strokes = strokes + 1 WHERE strokes > 0",
            "stroke_hours: 19 rows were not what the facts say, and 19 rows that the facts say",
        ),
        (
            "DELETE FROM current_entries",
            "current_entries: 0 rows were not what the facts say, and 3 rows that the facts say",
        ),
        (
            "INSERT INTO counter_questions SELECT id, '2026-01-01 00:00:00+00',"
            " '2026-01-02 00:00:00+00', 1, 2 FROM machines WHERE number = 2",
            "counter_questions: 1 rows were not what the facts say, and 0 rows",
        ),
    ],
)
def test_a_derived_table_that_is_wrong_is_told_and_made_anew(
    run: Run, own_engine: Engine, tmp_path: Path, damage: str, told: str
) -> None:
    run("import", write_folder(tmp_path / "plant", GOOD))
    before = _but_when(content(own_engine))
    with writing(own_engine) as session:
        session.execute(text(damage.replace("+00'", "'") if _is_sqlite(own_engine) else damage))
    damaged = content(own_engine)
    found = run("check", status=1)
    assert told in found.stderr
    assert "tracelog check --rebuild" in found.stderr
    assert content(own_engine) == damaged
    assert told in run("check", "--rebuild").stderr
    assert _but_when(content(own_engine)) == before
    run("check")


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        ("UPDATE audit_records SET actor = 'nobody' WHERE sequence = 3", "audit record 3 was"),
        (
            "UPDATE audit_records SET sequence = 99 WHERE sequence = 18",
            "audit record 18 is missing",
        ),
    ],
)
def test_a_broken_audit_trail_is_told(
    run: Run, own_engine: Engine, tmp_path: Path, damage: str, told: str
) -> None:
    run("import", write_folder(tmp_path / "plant", GOOD))
    with writing(own_engine) as session:
        session.execute(text(damage))
    assert told in run("check", status=1).stderr
    # Nothing can mend it.
    assert told in run("check", "--rebuild", status=1).stderr


def test_a_row_that_leads_nowhere_is_told(run: Run, own_engine: Engine, tmp_path: Path) -> None:
    run("import", write_folder(tmp_path / "plant", GOOD))
    unchecked = (
        "PRAGMA foreign_keys=OFF"
        if _is_sqlite(own_engine)
        else "SET session_replication_role=replica"
    )
    with own_engine.connect() as connection:
        raw = connection.connection.cursor()
        raw.execute(unchecked)
        raw.execute("DELETE FROM coils WHERE coil = 'K1'")
        connection.connection.commit()
        raw.close()
        connection.invalidate()
    found = run("check", "--json", status=1)
    assert json.loads(found.stdout)["references"] == [
        "1 rows of coil_runs have a coil_id that leads nowhere"
    ]


def test_a_database_that_may_only_be_read_is_told_in_one_line(
    run: Run, own_engine: Engine, tmp_path: Path
) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    if _is_sqlite(own_engine):
        address = f"sqlite:///file:{own_engine.url.database}?mode=ro&uri=true"
        run.environment["TRACELOG_DATABASE_URL"] = address
    else:
        with own_engine.connect() as connection:
            name = connection.exec_driver_sql("SELECT current_database()").scalar_one()
            connection.exec_driver_sql(
                f'ALTER DATABASE "{name}" SET default_transaction_read_only = on'
            )
            connection.commit()
    (told,) = run("import", folder, status=1).stderr.splitlines()
    assert told.startswith("tracelog: the database cannot do that and is as it was before: ")
    assert row_count(own_engine) == 0


@pytest.mark.skipif(sys.platform == "win32", reason="there is no such limit")
def test_a_disk_that_fills_up_leaves_the_database_as_it_was(
    open_database: Callable[[str], Engine], tmp_path: Path
) -> None:
    # SQLite only: on PostgreSQL it is the server's disk, which is out of reach from here.
    address = f"sqlite:///{tmp_path / 'plant.db'}"
    command = Command(address, tmp_path / "data")
    command("import", write_folder(tmp_path / "plant", GOOD))
    database = open_database(address)
    before = content(database)
    pallets = [
        {"pallet": f"L{number}", "line": "1", "started_at": "2026-03-01T06:00:00Z"}
        for number in range(30_000)
    ]
    large = write_folder(tmp_path / "large", {"pallets.csv": pallets})
    # No file may grow beyond 2 MB (4096 blocks of 512 bytes).
    limited = ["sh", "-c", 'ulimit -f 4096; exec "$@"', "sh", *command.arguments("import", large)]
    done = subprocess.run(
        limited, env=command.environment, capture_output=True, encoding="utf-8", timeout=300
    )
    assert done.returncode == 1
    (told,) = done.stderr.splitlines()
    assert told.startswith("tracelog: the database cannot do that and is as it was before: ")
    assert content(database) == before


def _is_sqlite(engine: Engine) -> bool:
    return engine.dialect.name == "sqlite"
