"""The published attribute data sets as a plant folder.

How the published figures are mapped, and nothing is changed in them:

- Fractions (cans of orange juice, hospital attendances) are samples: `inspected` is the published
  sample size, `cans` the published number. Each set has a machine of its own, and its samples
  follow each other half an hour, or a week, apart.
- Counts per unit (wafers, dyed cloth, tyres) are found in running production: a published unit is
  a million strokes of the machine, read off its counter at the turn of every month, and what was
  counted on one wafer, roll or subgroup is one entry in that month. A rate per million strokes
  then is the published rate per unit, also where units are not whole (9.5 units are 9,500,000
  strokes).
"""

import csv
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.published.figures import Check

UNIT_STROKES = 1_000_000
SAMPLES_START = datetime(2026, 1, 5, tzinfo=UTC)
FIRST_YEAR = 2024
CANS, WAFERS, CLOTH, TYRES, HOSPITALS = "1-1", "1-2", "1-3", "1-4", "1-5"
BAD_CAN, FAULT, WITHIN_4_HOURS = "nonconforming", "nonconformity", "seen-within-4-hours"


def month(index: int) -> datetime:
    """Start of a month, counted from the first."""
    return datetime(FIRST_YEAR + index // 12, index % 12 + 1, 1, tzinfo=UTC)


def sample_at(index: int) -> datetime:
    """When a sample of cans was looked at, counted from 0."""
    return SAMPLES_START + timedelta(minutes=30) * index


def week_at(index: int) -> datetime:
    """When a week of attendances was counted, from 0."""
    return SAMPLES_START + timedelta(weeks=index)


def write_folder(folder: Path) -> Path:
    """Write the plant folder of all published sets, and return it."""
    folder.mkdir()
    (folder / "plant.toml").write_text('name = "Published"\ntime_zone = "UTC"\n', encoding="utf-8")
    _write(folder / "lines.csv", ("line", "name"), [(1, "Published")])
    _write(
        folder / "machines.csv",
        ("line", "station", "number", "counter_max", "rated_spm"),
        [(1, "bodymaker", number, 999_999_999, 420) for number in range(1, 6)],
    )
    _write(
        folder / "defect_types.csv",
        ("defect", "name"),
        [(kind, kind) for kind in (BAD_CAN, FAULT, WITHIN_4_HOURS)],
    )
    cans, hospitals = Check("A01"), Check("A06")
    entries = [
        (_text(sample_at(i)), CANS, BAD_CAN, row["nonconforming"], row["n"])
        for i, row in enumerate(cans.rows())
    ]
    entries += [
        (_text(week_at(i)), HOSPITALS, WITHIN_4_HOURS, row["seen_within_4h"], row["attendances"])
        for i, row in enumerate(hospitals.rows())
    ]
    readings: list[tuple[object, ...]] = []
    for machine, counts, units in _per_unit():
        entries += [
            (_text(month(i) + timedelta(days=9)), machine, FAULT, str(count), "")
            for i, count in enumerate(counts)
        ]
        readings += _readings(machine, units)
    _write(folder / "defects.csv", ("seen_at", "dome_code", "defect", "cans", "inspected"), entries)
    _write(folder / "readings.csv", ("line", "bodymaker", "read_at", "strokes"), readings)
    return folder


def _per_unit() -> Iterable[tuple[str, list[int], list[float]]]:
    """Machine, counts and units of each set that counts per unit."""
    wafers, cloth, tyres = Check("A03").rows(), Check("A04").rows(), Check("A05").rows()
    yield WAFERS, [int(row["defects"]) for row in wafers], [1.0] * len(wafers)
    faults = [int(row["nonconformities"]) for row in cloth]
    yield CLOTH, faults, [float(row["units"]) for row in cloth]
    faults = [int(row["nonconformities"]) for row in tyres]
    yield TYRES, faults, [float(row["tyres"]) for row in tyres]


def _readings(machine: str, units: Sequence[float]) -> list[tuple[object, ...]]:
    line, bodymaker = machine.split("-")
    figure = 0
    found: list[tuple[object, ...]] = [(line, bodymaker, _text(month(0)), figure)]
    for index, size in enumerate(units, start=1):
        strokes = size * UNIT_STROKES
        assert strokes == int(strokes)
        figure += int(strokes)
        found.append((line, bodymaker, _text(month(index)), figure))
    return found


def _text(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def _write(path: Path, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        writer.writerows(rows)
