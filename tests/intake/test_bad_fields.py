"""Every field of every file: what is wrong is told in one sentence, and nothing is written."""

from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.intake.folders import (
    ALL_COLUMNS,
    EXTRA,
    GOOD,
    good_rows,
    import_good,
    import_into,
    row_count,
    sentences,
    write_folder,
)
from tracelog.intake.files import FILES_BY_NAME

LONG = "x" * 81
BELL = "a\x07b"
INSTANTS = ["2026-03-01", "yesterday", "2026-02-30T06:00:00Z", "2026-03-29T02:30:00"]
NUMBERS = ["0", "1000", "1.5", "one", "-1", "1,000"]
COUNTS = ["-1", "1.5", "many", "1e3", "9" * 16]
POSITIVES = ["0", *COUNTS]
MEASURES = ["0", "-0.1", "nan", "inf", "0,25", "thick"]
NAMES = [LONG, BELL]
NOTES = ["n" * 4001, BELL]
IDS = ["7", "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e5g", "{0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e5}"]
CODES = ["3", "3-", "3-7-1", "0-1", "a-b", "3-1000"]
END_BEFORE_START = "2020-01-01T00:00:00Z"

# What is wrong by itself, column by column, blanks of needed columns included.
BAD: dict[str, dict[str, list[str]]] = {
    "lines.csv": {"line": ["", *NUMBERS], "name": NAMES},
    "machines.csv": {
        "line": ["", *NUMBERS, "9"],
        "station": ["", *NAMES],
        "number": ["", *NUMBERS],
        "name": NAMES,
        "counter_max": POSITIVES,
        "rated_spm": MEASURES,
    },
    "dome_codes.csv": {
        "code": ["", *CODES, "3-?"],
        "line": ["", *NUMBERS, "9"],
        "bodymaker": ["", *NUMBERS, "99"],
        "valid_from": ["", *INSTANTS],
        "valid_to": [*INSTANTS, END_BEFORE_START],
    },
    "station_parts.csv": {
        "line": ["", *NUMBERS, "9"],
        "station": ["", *NAMES],
        "part": ["", *NAMES],
        "count": ["", "241", "-1", "1.5", "many"],
    },
    "defect_types.csv": {
        "defect": ["", *NAMES],
        "name": NAMES,
        "stage": NAMES,
        "severity": ["bad", "LEAK"],
        "arises_at": NAMES,
        "traces_to": NOTES,
        "notes": NOTES,
    },
    "service_levels.csv": {
        "station": ["", *NAMES],
        "service": ["", *NAMES],
        "interval_strokes": POSITIVES,
        "interval_days": POSITIVES,
        "hours": MEASURES,
        "people": POSITIVES,
    },
    "planning.csv": {
        "setting": ["", "crew", "Crews"],
        "value": ["", *NAMES, "many", "-1", "1001"],
    },
    "replacement_costs.csv": {
        "tool_type": ["", *NAMES],
        "planned_cost": MEASURES,
        "unplanned_cost": MEASURES,
        "interval_strokes": POSITIVES,
        "note": NOTES,
    },
    "tools.csv": {
        "serial": ["", *NAMES],
        "tool_type": NAMES,
        "life_strokes": POSITIVES,
        "note": NOTES,
    },
    "tool_fits.csv": {
        "serial": ["", *NAMES, "Z-9"],
        "line": ["", *NUMBERS, "9"],
        "bodymaker": ["", *NUMBERS, "99"],
        "position": ["", *NAMES],
        "fitted_at": ["", *INSTANTS],
        "removed_at": [*INSTANTS, END_BEFORE_START],
        "removal_reason": ["lost", "Worn"],
    },
    "tool_works.csv": {
        "serial": ["", *NAMES, "Z-9"],
        "done_at": ["", *INSTANTS],
        "work": ["", "Regrind", "grind"],
        "strokes_before": COUNTS,
        "strokes_before_since_work": [*COUNTS, "800000"],
        "size_mm": MEASURES,
        "note": NOTES,
    },
    "coils.csv": {"coil": ["", *NAMES], "alloy": NAMES, "gauge_mm": MEASURES, "note": NOTES},
    "coil_runs.csv": {
        "coil": ["", *NAMES, "K77"],
        "line": ["", *NUMBERS, "9"],
        "started_at": ["", *INSTANTS],
        "ended_at": [*INSTANTS, END_BEFORE_START],
    },
    "pallets.csv": {
        "pallet": ["", *NAMES],
        "line": ["", *NUMBERS, "9"],
        "started_at": ["", *INSTANTS],
        "ended_at": [*INSTANTS, END_BEFORE_START],
        "cans": COUNTS,
        "status": ["gone", "Held"],
    },
    "counter_events.csv": {
        "line": ["", *NUMBERS, "9"],
        "bodymaker": ["", *NUMBERS, "99"],
        "at": ["", *INSTANTS, "2027-01-01T00:00:00Z"],
        "event": ["", "stopped", "Reset"],
        "strokes_after": ["", *COUNTS],
    },
    "counter_settlements.csv": {
        "line": ["", *NUMBERS, "9"],
        "bodymaker": ["", *NUMBERS, "99"],
        "to_at": ["", *INSTANTS],
        "settled_at": ["", *INSTANTS, "2027-01-01T00:00:00Z"],
        "verdict": ["", "Made", "reset"],
        "from_at": ["", *INSTANTS, "2026-03-01T06:00:01Z"],
        "strokes": ["", *COUNTS],
        "settled_by": NAMES,
        "note": NOTES,
    },
    "readings.csv": {
        "line": ["", *NUMBERS, "9"],
        "bodymaker": ["", *NUMBERS, "99"],
        "read_at": ["", *INSTANTS, "2026-04-01T12:10:01Z"],
        "strokes": ["", *COUNTS],
    },
    "services.csv": {
        "line": ["", *NUMBERS, "9"],
        "bodymaker": ["", *NUMBERS, "99"],
        "service": ["", *NAMES, "polish"],
        "done_at": ["", *INSTANTS],
        "unplanned": ["true", "Yes", "1"],
        "note": NOTES,
    },
    "service_pins.csv": {
        "id": IDS,
        "line": ["", *NUMBERS, "9"],
        "bodymaker": ["", *NUMBERS, "99"],
        "service": ["", *NAMES, "greasing"],
        "pinned_on": ["", "yesterday", "2026-02-30", "2026-03-01T06:00:00Z"],
        "pinned_at": ["", *INSTANTS],
        "pinned_by": NAMES,
        "note": NOTES,
        "ended_at": [*INSTANTS, END_BEFORE_START],
        "ended_because": ["done", "Moved"],
    },
    "changes.csv": {
        "line": ["", *NUMBERS, "9"],
        "bodymaker": [*NUMBERS, "99"],
        "at": ["", *INSTANTS],
        "kind": ["", *NAMES],
        "note": NOTES,
    },
    "planned_periods.csv": {
        "id": IDS,
        "kind": ["", "Stop", "holiday"],
        "line": [*NUMBERS, "9"],
        "bodymaker": [*NUMBERS, "99"],
        "starts_at": ["", *INSTANTS[1:]],
        "ends_at": ["", *INSTANTS[1:], END_BEFORE_START, "2026-03-20T06:00:00Z", "2027-06-01"],
        "reason": NOTES,
        "announced_at": INSTANTS,
        "withdrawn_at": [*INSTANTS, END_BEFORE_START],
        "uid": ["u" * 256, BELL],
    },
    "defects.csv": {
        "id": IDS,
        "seen_at": ["", *INSTANTS],
        "dome_code": [*CODES, "9-1"],
        "defect": ["", *NAMES, "spilt"],
        "cans": ["", *COUNTS, "101"],
        "occurrences": [*COUNTS, "4", "0"],
        "inspected": [*POSITIVES],
        "found_at": NAMES,
        "made_at": [*INSTANTS, "2026-03-03T00:00:00Z"],
        "coil": NAMES,
        "pallet": NAMES,
        "mark": NAMES,
        "note": NOTES,
        "logged_by": NAMES,
        "logged_at": INSTANTS,
    },
    "defect_corrections.csv": {
        "id": IDS,
        "entry": ["", *IDS, "0198c1f0-7a4e-7cc1-8000-000000000000"],
        "corrected_at": ["", *INSTANTS],
        "corrected_by": ["", "x" * 121, BELL],
        "reason": ["", *NOTES],
        "withdrawn": ["true", "Yes"],
        "changes": ["x", "[]", '{"id": "1"}', '{"dome_code": "x"}', '{"defect": "spilt"}'],
    },
    "measurements.csv": {
        "id": IDS,
        "line": ["", *NUMBERS, "9"],
        "bodymaker": ["", *NUMBERS, "99"],
        "measured_at": ["", *INSTANTS],
        "characteristic": ["", *NAMES],
        "unit": NAMES,
        "value": ["", "nan", "-inf", "1e16", "0,1", "thin"],
        "subgroup": NAMES,
    },
    "gauge_readings.csv": {
        "id": IDS,
        "study": ["", *NAMES],
        "characteristic": ["", *NAMES],
        "unit": NAMES,
        "part": ["", *NAMES],
        "appraiser": ["", *NAMES],
        "trial": ["", "0", "101", "1.5", "first"],
        "value": ["", "nan", "-inf", "1e16", "0,1", "thin"],
        "measured_at": ["", *INSTANTS],
    },
    "baselines.csv": {
        "id": IDS,
        "line": ["", *NUMBERS, "9"],
        "bodymaker": [*NUMBERS, "99"],
        "evidence": ["", "hearsay", "Production"],
        "of": ["spilt", "split,spilt", "x" * 2001, BELL],
        "starts_at": ["", *INSTANTS, "2020-01-01T00:00:00Z"],
        "ends_at": ["", *INSTANTS, END_BEFORE_START],
        "reason": ["", *NOTES],
        "frozen_at": ["", *INSTANTS],
        "frozen_by": ["", "x" * 121, BELL],
    },
}


def test_every_column_of_every_file_is_spoiled() -> None:
    assert [(file, column) for file, columns in BAD.items() for column in columns] == ALL_COLUMNS


def test_the_rows_that_are_spoiled_are_good_before(own_engine: Engine, tmp_path: Path) -> None:
    rows = {file: [*of_file, EXTRA[file]] for file, of_file in GOOD.items()}
    done = import_good(own_engine, write_folder(tmp_path / "plant", rows))
    assert {file.file: file.rows for file in done.report.files if file.file in rows} == {
        file: len(of_file) for file, of_file in rows.items()
    }


@pytest.mark.parametrize("file", list(BAD))
def test_each_bad_field_is_told_in_one_sentence_and_nothing_is_written(
    untouched: Engine, tmp_path: Path, file: str
) -> None:
    spoiled = [(column, value) for column, values in BAD[file].items() for value in values]
    rows = good_rows()
    first = len(rows[file]) + 2
    rows[file] += [EXTRA[file] | {column: value} for column, value in spoiled]

    done = import_into(untouched, write_folder(tmp_path / "plant", rows))

    told = [(f.file, f.line, f.column) for f in done.report.faults]
    assert told == [(file, first + place, column) for place, (column, _) in enumerate(spoiled)]
    for fault in done.report.faults:
        assert str(fault).startswith(f"{file}:{fault.line}: {fault.column}: ")
        assert len(fault.sentence) > 15
        assert "\n" not in str(fault)
        assert BELL not in str(fault)
    assert not done.is_kept
    assert row_count(untouched) == 0


@pytest.mark.parametrize("file", sorted(GOOD))
def test_an_unknown_a_doubled_and_a_missing_column_are_named(
    untouched: Engine, tmp_path: Path, file: str
) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    path = folder / file
    columns = FILES_BY_NAME[file].columns
    needed = FILES_BY_NAME[file].needed_columns[0]
    lines = path.read_text(encoding="utf-8").splitlines()
    for header, told in (
        (",".join([*columns, "colour"]), f"{file}:1: colour: is not a column of this file"),
        (",".join([*columns, needed]), f"{file}:1: {needed}: is named twice"),
        (
            ",".join(column for column in columns if column != needed),
            f"{file}:1: {needed}: is missing in the header",
        ),
    ):
        path.write_text("\n".join([header, *lines[1:]]), encoding="utf-8")
        done = import_into(untouched, folder)
        assert sentences(done)[0].startswith(told)
        assert row_count(untouched) == 0
