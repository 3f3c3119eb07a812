"""Writing a plant folder: every file whole or not at all, the same bytes for the same plant."""

import csv
import os
from pathlib import Path
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tracelog.db import reading_one_moment
from tracelog.errors import TracelogError
from tracelog.facts import write_value
from tracelog.intake.files import FILES, FILES_BY_NAME, PLANT_FILE, PlantFile
from tracelog.intake.plant_file import read_plant_file, write_plant_file
from tracelog.intake.queries import filled_columns, plant_text, rows_of
from tracelog.language import _
from tracelog.web.sheets import harmless

LINE_END = "\n"


def export_folder(engine: Engine, folder: Path) -> dict[str, int]:
    """Write everything that people and machines reported, and the settings, as a plant folder.

    All files are of one instant. They are written beside their places and put there when all are
    whole; a file that would have no rows is not written, and one from an earlier export removed.

    Args:
        engine: of the database.
        folder: empty, not there yet, or an earlier export of the same plant.

    Returns:
        Rows by file, in the order of the import.

    Raises:
        NoPlant: there is nothing to export.
        TracelogError: the folder holds something else, or cannot be written.
    """
    with reading_one_moment(engine) as session:
        plant = plant_text(session)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            _require_own(folder, plant.name)
            return _write_all(session, folder, write_plant_file(plant))
        except OSError as problem:
            raise TracelogError(
                _(
                    "the folder %(folder)s cannot be written: %(why)s",
                    folder=folder,
                    why=problem.strerror,
                )
            ) from problem


def _require_own(folder: Path, plant_name: str) -> None:
    names = sorted(path.name for path in folder.iterdir())
    read = [name for name in names if name.lower().endswith((".csv", ".toml"))]
    foreign = [name for name in read if name != PLANT_FILE and name not in FILES_BY_NAME]
    if foreign:
        raise TracelogError(
            _(
                "%(folder)s holds %(names)s, which no export writes; export into an empty folder",
                folder=folder,
                names=", ".join(foreign[:5]),
            )
        )
    if not read:
        return
    there = read_plant_file(folder / PLANT_FILE).fact if PLANT_FILE in read else None
    if there is None or there.name != plant_name:
        raise TracelogError(
            _(
                "%(folder)s holds files that are no export of the plant '%(plant)s';"
                " export into an empty folder",
                folder=folder,
                plant=plant_name,
            )
        )


def _write_all(session: Session, folder: Path, plant: str) -> dict[str, int]:
    rows: dict[str, int] = {}
    halves: dict[str, Path] = {}
    try:
        halves[PLANT_FILE] = _half(folder, PLANT_FILE)
        with halves[PLANT_FILE].open("x", encoding="utf-8", newline=LINE_END) as opened:
            opened.write(plant)
        for file in FILES:
            halves[file.name] = _half(folder, file.name)
            written = _write(session, file, halves[file.name])
            if written:
                rows[file.name] = written
        for name, half in halves.items():
            if name == PLANT_FILE or name in rows:
                half.replace(folder / name)
            else:
                (folder / name).unlink(missing_ok=True)
    finally:
        for half in halves.values():
            half.unlink(missing_ok=True)
    return rows


def _half(folder: Path, name: str) -> Path:
    half = folder / f".{name}.{os.getpid()}.half"
    # Nothing is written through a link that somebody put there.
    half.unlink(missing_ok=True)
    return half


def _cell(value: Any) -> str:
    text = write_value(value)
    return harmless(text) if isinstance(value, str) else text


def _write(session: Session, file: PlantFile, path: Path) -> int:
    count = 0
    with path.open("x", encoding="utf-8", newline="") as opened:
        writer = csv.writer(opened, lineterminator=LINE_END)
        columns = (*file.columns, *filled_columns(session, file.name))
        writer.writerow(columns)
        for row in rows_of(session, file.name):
            writer.writerow([_cell(value) for value in row[: len(columns)]])
            count += 1
        opened.flush()
        os.fsync(opened.fileno())
    return count
