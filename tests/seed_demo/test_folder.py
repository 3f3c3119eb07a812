import tomllib
from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from seed_demo.folder import write_folder
from seed_demo.simulate import simulate
from seed_demo.tables import HEADERS
from tests.seed_demo.written import LONG, SMALL, instant, plant, rows, rows_on_disk
from tracelog.defects.facts import DefectTypeFact, EntryFact
from tracelog.facts import Fact
from tracelog.plant.calendar_facts import PlannedPeriodFact
from tracelog.plant.facts import (
    ChangeFact,
    CoilFact,
    CoilRunFact,
    DomeCodeFact,
    LineFact,
    MachineFact,
    PalletFact,
    PlantFact,
    ToolFact,
    ToolFitFact,
)
from tracelog.plant.part_facts import StationPartFact
from tracelog.plant.tool_facts import ToolWorkFact
from tracelog.service.facts import ServiceFact, ServiceLevelFact
from tracelog.strokes.facts import CounterEventFact, ReadingFact
from tracelog.trends.facts import MeasurementFact

FACTS: Mapping[str, type[Fact]] = {
    "lines.csv": LineFact,
    "machines.csv": MachineFact,
    "dome_codes.csv": DomeCodeFact,
    "station_parts.csv": StationPartFact,
    "readings.csv": ReadingFact,
    "counter_events.csv": CounterEventFact,
    "defect_types.csv": DefectTypeFact,
    "defects.csv": EntryFact,
    "tools.csv": ToolFact,
    "tool_fits.csv": ToolFitFact,
    "tool_works.csv": ToolWorkFact,
    "service_levels.csv": ServiceLevelFact,
    "services.csv": ServiceFact,
    "coils.csv": CoilFact,
    "coil_runs.csv": CoilRunFact,
    "pallets.csv": PalletFact,
    "changes.csv": ChangeFact,
    "planned_periods.csv": PlannedPeriodFact,
    "measurements.csv": MeasurementFact,
}
REPEATABLE = {"readings.csv"}  # a counter may be read out twice


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_the_same_seed_writes_the_same_bytes_and_another_seed_does_not(tmp_path: Path) -> None:
    for name, seed in (("one", 7), ("again", 7), ("other", 8)):
        write_folder(simulate(SMALL, seed), tmp_path / name)
    one = contents(tmp_path / "one")
    assert one == contents(tmp_path / "again")
    other = contents(tmp_path / "other")
    assert {n for n in one if one[n] != other[n]} >= {"readings.csv", "defects.csv", "coils.csv"}


def test_every_file_of_the_format_is_written_with_its_header_and_rows(tmp_path: Path) -> None:
    write_folder(plant(), tmp_path)
    found = dict(rows_on_disk(tmp_path))
    assert set(found) == set(HEADERS) == set(FACTS)
    for name, own in found.items():
        assert own, name
        assert tuple(own[0]) == FACTS[name].columns() or set(own[0]) == set(FACTS[name].columns())


@pytest.mark.parametrize("name", sorted(FACTS))
def test_every_row_is_a_fact_that_the_importer_takes(name: str) -> None:
    made = plant()
    zone = ZoneInfo(made.clock.zone.key)
    keys = [FACTS[name].read(row, zone).key for row in rows(made, name)]
    if name not in REPEATABLE:
        assert len(set(keys)) == len(keys)


def test_services_of_a_year_with_clock_changes_have_instants_that_exist() -> None:
    made = plant(LONG)
    zone = ZoneInfo(made.clock.zone.key)
    own = rows(made, "services.csv")
    assert len(own) > 30
    done = [ServiceFact.read(row, zone).done_at for row in own]
    assert max(done) <= made.clock.utc(made.clock.seconds)


def test_plant_toml_is_a_plant_and_its_crews_are_those_of_the_history() -> None:
    made = plant()
    read = PlantFact.read(tomllib.loads(made.plant_toml), made.clock.zone)
    assert read.name == "Wrenholt"
    assert read.transit is not None
    assert read.transit.minutes == (20, 95)
    assert read.rota is not None
    assert len(read.rota.cycle) == 14
    for start, shift, crew in zip(
        made.clock.shift_starts, made.clock.shift_names, made.clock.shift_crews, strict=True
    ):
        day = made.clock.utc(start).astimezone(made.clock.zone).date()
        assert read.rota.cycle[(day - read.rota.starts_on).days % 14][shift] == crew


def test_every_reference_leads_to_a_row() -> None:
    made = plant()
    bodymakers = {m.code for m in made.machines}
    known = {
        "line": {r["line"] for r in rows(made, "lines.csv")},
        "serial": {r["serial"] for r in rows(made, "tools.csv")},
        "coil": {r["coil"] for r in rows(made, "coils.csv")},
        "pallet": {r["pallet"] for r in rows(made, "pallets.csv")},
        "defect": {r["defect"] for r in rows(made, "defect_types.csv")},
        "service": {r["service"] for r in rows(made, "service_levels.csv")},
        "found_at": {r["station"] for r in rows(made, "machines.csv")},
    }
    for table in made.tables:
        for row in rows(made, table.name):
            for column in ("line", "serial", "coil", "pallet", "defect", "service", "found_at"):
                if row.get(column):
                    assert row[column] in known[column], (table.name, row)
            if row.get("bodymaker"):
                assert f"{row['line']}-{row['bodymaker']}" in bodymakers, (table.name, row)


def test_nothing_lies_outside_the_history() -> None:
    made = plant()
    start, end = made.clock.utc(0), made.clock.utc(made.clock.seconds)
    instants = {"read_at", "seen_at", "made_at", "logged_at", "fitted_at", "removed_at", "at"}
    instants |= {"started_at", "ended_at", "measured_at", "valid_from", "valid_to"}
    latest = start
    for table in made.tables:
        for row in rows(made, table.name):
            for column in instants.intersection(row):
                if row[column]:
                    assert start <= instant(row[column]) <= end, (table.name, row)
                    latest = max(latest, instant(row[column]))
    assert end - latest < timedelta(hours=1)


def test_progress_counts_every_row_up_to_the_last(tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    write_folder(plant(), tmp_path, lambda name, done, total: told.append((name, done, total)))
    done = [step[1] for step in told]
    assert done == sorted(done)
    assert {step[0] for step in told} == set(HEADERS)
    assert done[-1] == told[-1][2] == sum(len(table.rows) for table in plant().tables)
