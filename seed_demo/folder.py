"""Write a simulated plant as a plant folder: plant.toml and one csv file per table."""

import csv
from collections.abc import Callable
from pathlib import Path

from seed_demo.simulate import SimulatedPlant
from seed_demo.tables import Table

ROWS_AT_A_TIME = 20_000
Progress = Callable[[str, int, int], None]


def write_folder(plant: SimulatedPlant, folder: Path, progress: Progress | None = None) -> None:
    """Write all files of a plant into `folder`, which is made if it is missing.

    Files of the same names are overwritten. `progress` is called with the file's name, the rows
    written so far over all files and the rows in all.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text(plant.plant_toml, encoding="utf-8", newline="\n")
    total = sum(len(table.rows) for table in plant.tables)
    done = 0
    for table in plant.tables:
        done = _write(table, folder, done, total, progress)


def _write(table: Table, folder: Path, done: int, total: int, progress: Progress | None) -> int:
    with (folder / table.name).open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(table.header)
        for start in range(0, len(table.rows), ROWS_AT_A_TIME):
            rows = table.rows[start : start + ROWS_AT_A_TIME]
            writer.writerows(rows)
            done += len(rows)
            if progress:
                progress(table.name, done, total)
    return done
