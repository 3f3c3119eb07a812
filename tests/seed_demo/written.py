"""Simulated plants for the tests, made once, and their files as rows of text."""

import csv
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path

from seed_demo.simulate import SimulatedPlant, simulate
from seed_demo.sizes import SIZES, PlantSize

SMALL = SIZES["small"]
# Long enough for roll-overs, many services and tool changes, both clock changes and the holiday.
LONG = PlantSize(lines=2, bodymakers=3, days=320, pallet_days=3, ends_on=date(2026, 4, 10))


@cache
def plant(size: PlantSize = SMALL, seed: int = 1) -> SimulatedPlant:
    """Return a simulated plant; the same object for the same size and seed."""
    return simulate(size, seed)


def rows(made: SimulatedPlant, name: str) -> list[dict[str, str]]:
    """Return the rows of one of its files, as dictionaries by column."""
    found = next(table for table in made.tables if table.name == name)
    return [dict(zip(found.header, row, strict=True)) for row in found.rows]


def rows_on_disk(folder: Path) -> Iterator[tuple[str, list[dict[str, str]]]]:
    """Return (file name, rows) of every csv file in a folder."""
    for path in sorted(folder.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            yield path.name, list(csv.DictReader(file))


def instant(text: str) -> datetime:
    """Return an instant with an offset as UTC."""
    return datetime.fromisoformat(text).astimezone(UTC)


def with_size(**figures: int) -> PlantSize:
    """Return the small size with some figures changed."""
    return replace(SMALL, **figures)  # type: ignore[arg-type]
