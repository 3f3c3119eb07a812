"""Plant folders for tests: a small good one with every file, and ways to spoil it."""

import csv
from collections.abc import Iterable, Mapping, Sequence
from copy import deepcopy
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, select, text

from tracelog.audit import Actor
from tracelog.db import reading
from tracelog.intake.files import FILES, FILES_BY_NAME, PLANT_FILE
from tracelog.intake.folder_export import export_folder
from tracelog.intake.folder_import import Imported, import_whole
from tracelog.schema import metadata

Rows = dict[str, list[dict[str, str]]]

NOW = datetime(2026, 4, 1, 12, tzinfo=UTC)
ACTOR = Actor("Robin", "administrator", "import")

PLANT = """\
name = "Alder Point"
time_zone = "Europe/Madrid"

[transit]
minutes = [20, 95]

[[shift]]
name = "day"
starts = "06:00"

[[shift]]
name = "night"
starts = "18:00"

[rota]
starts_on = "2026-01-05"
cycle = [
    { day = "A", night = "C" },
    { day = "B", night = "D" },
]
"""

# The first entry and the first correction are what others refer to.
ENTRY = "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e55"
PIN = "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9f50"
PERIOD = "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9f40"


def _rows(file: str, *cells: str) -> list[dict[str, str]]:
    columns = FILES_BY_NAME[file].columns
    return [dict(zip(columns, row.split(","), strict=True)) for row in cells]


# Every file with at least one row, and everything they need of each other.
GOOD: Rows = {
    "lines.csv": _rows("lines.csv", "1,Line one", "2,"),
    "machines.csv": _rows(
        "machines.csv",
        "1,bodymaker,1,,999999,320",
        "1,bodymaker,2,BM 1-2,999999,",
        "1,palletiser,1,,,",
        "2,bodymaker,1,,,310.5",
    ),
    "dome_codes.csv": _rows("dome_codes.csv", "1-19,1,2,2026-03-01T00:00:00Z,"),
    "station_parts.csv": _rows(
        "station_parts.csv", "1,decorator,mandrel,24", "1,necker,pocket,12", "1,reformer,pocket,0"
    ),
    "defect_types.csv": _rows(
        "defect_types.csv",
        "split,Split,forming,leak,bodymaker,,",
        "wrinkle,,,look,,tooling,",
    ),
    "service_levels.csv": _rows(
        "service_levels.csv", "bodymaker,minor,25000000,,4,2", "bodymaker,overhaul,,365,12.5,2"
    ),
    "planning.csv": _rows("planning.csv", "crews,2", "work_days,mon tue wed thu fri"),
    "replacement_costs.csv": _rows(
        "replacement_costs.csv", "punch,120,640.5,28000000,of last year", "ring,80,,,"
    ),
    "tools.csv": _rows("tools.csv", "P-1,punch,30000000,", "P-2,punch,,spare", "R-1,ring,,"),
    "tool_fits.csv": _rows(
        "tool_fits.csv",
        "P-1,1,1,punch,2026-03-01T06:00:00Z,2026-03-08T06:00:00Z,worn",
        "P-2,1,1,punch,2026-03-08T07:00:00Z,,",
        "P-1,1,2,punch,2026-03-09T06:00:00Z,,",
    ),
    "tool_works.csv": _rows(
        "tool_works.csv",
        "P-1,2026-03-01T05:00:00Z,on-record,900000,,,from its card",
        "P-1,2026-03-08T12:00:00Z,polish,,,65.9980,",
        "P-1,2026-03-08T12:00:00Z,recoat,,,,",
    ),
    "coils.csv": _rows("coils.csv", "K1,3104,0.25,", "K2,,,"),
    "coil_runs.csv": _rows(
        "coil_runs.csv",
        "K1,1,2026-03-01T06:00:00Z,2026-03-01T09:00:00Z",
        "K2,1,2026-03-01T09:00:00Z,",
    ),
    "pallets.csv": _rows(
        "pallets.csv",
        "N1,1,2026-03-01T06:30:00Z,2026-03-01T06:45:00Z,8169,released",
        "N2,1,2026-03-01T06:45:00Z,,,",
    ),
    "counter_events.csv": _rows("counter_events.csv", "1,1,2026-03-02T06:00:00Z,reset,0"),
    "counter_settlements.csv": _rows(
        "counter_settlements.csv",
        "1,2,2026-03-01T08:30:00Z,2026-03-02T08:00:00Z,misread,,,Kim,smudged",
        "1,2,2026-03-01T08:30:00Z,2026-03-03T08:00:00Z,made,2026-03-01T06:00:00Z,35000,,",
        "1,2,2026-03-01T06:00:00Z,2026-03-03T09:00:00Z,open,,,Kim,",
    ),
    "readings.csv": _rows(
        "readings.csv",
        "1,1,2026-03-01T06:00:00Z,900000",
        "1,1,2026-03-01T14:00:00Z,990000",
        "1,1,2026-03-02T14:00:00Z,80000",
        "1,2,2026-03-01T06:00:00Z,5",
        "1,2,2026-03-01T08:30:00Z,36005",
    ),
    "services.csv": _rows("services.csv", "1,1,minor,2026-03-02T06:00:00Z,no,"),
    "service_pins.csv": _rows(
        "service_pins.csv",
        ",1,2,minor,2026-03-20,2026-03-05T09:00:00Z,Kim,,,",
        f"{PIN},1,1,overhaul,2026-03-25,2026-03-05T10:00:00Z,,two days,2026-03-06T10:00:00Z,moved",
    ),
    "changes.csv": _rows(
        "changes.csv",
        "1,,2026-03-03T06:00:00Z,coolant,new batch",
        "1,2,2026-03-03T06:00:00Z,label,",
    ),
    "planned_periods.csv": _rows(
        "planned_periods.csv",
        ",stop,1,,2026-03-09T06:00,2026-03-09T14:00,cleaning,,,",
        ",no service,,,2026-04-03,2026-04-06,,2026-03-01T09:00:00Z,,",
        f"{PERIOD},stop,1,2,2026-03-12T06:00:00Z,2026-03-14T06:00:00Z,rebuild,,"
        "2026-03-10T08:00:00Z,rebuild-1-2",
    ),
    "defects.csv": _rows(
        "defects.csv",
        f"{ENTRY},2026-03-01T08:00:00Z,1-1,split,2,,,trimmer,,K1,N1,,,crew A,",
        "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e56,2026-03-01T09:00:00Z,1-?,split,1,,,,,,,,,,",
        ",2026-03-05T09:00:00Z,1-19,wrinkle,0,,200,,2026-03-05T08:00:00Z,,,ring,,,",
    ),
    "defect_corrections.csv": [
        {
            "id": "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9f00",
            "entry": ENTRY,
            "corrected_at": "2026-03-01T10:00:00Z",
            "corrected_by": "Kim",
            "reason": "read wrongly",
            "withdrawn": "no",
            "changes": '{"dome_code": "1-2"}',
        }
    ],
    "measurements.csv": _rows(
        "measurements.csv", ",1,1,2026-03-01T08:00:00Z,wall thickness,mm,0.0973,7"
    ),
    "gauge_readings.csv": _rows(
        "gauge_readings.csv",
        ",wall gauge 1,thin-wall,mm,1,Kim,1,0.0971,2026-03-02T08:00:00Z",
        ",wall gauge 1,thin-wall,mm,1,Kim,2,0.0972,2026-03-02T08:10:00Z",
    ),
    "baselines.csv": [
        *_rows(
            "baselines.csv",
            ",1,1,production,split,2026-03-01T06:00:00Z,2026-03-03T06:00:00Z,calm,"
            "2026-03-04T08:00:00Z,Kim",
            ",1,1,production,split,,,too short,2026-03-05T08:00:00Z,Robin",
            ",1,,samples,,2026-03-01T06:00:00Z,2026-03-03T06:00:00Z,calm,2026-03-04T08:00:00Z,Kim",
            ",,,measurements,wall thickness,2026-03-01T06:00:00Z,2026-03-03T06:00:00Z,new gauge,"
            "2026-03-04T08:00:00Z,Kim",
        ),
        {
            "evidence": "production",
            "of": "wrinkle, split",
            "starts_at": "2026-03-01T06:00:00Z",
            "ends_at": "2026-03-03T06:00:00Z",
            "reason": "both together",
            "frozen_at": "2026-03-04T08:00:00Z",
            "frozen_by": "Kim",
        },
    ],
}

# One more good row of each file, on which nothing depends.
EXTRA: dict[str, dict[str, str]] = {
    file: row
    for file, rows in {
        "lines.csv": _rows("lines.csv", "7,Line seven"),
        "machines.csv": _rows("machines.csv", "2,trimmer,3,T3,1000,99.5"),
        "dome_codes.csv": _rows(
            "dome_codes.csv", "2-9,2,1,2026-03-01T00:00:00Z,2026-03-04T00:00:00Z"
        ),
        "station_parts.csv": _rows("station_parts.csv", "2,light-tester,pocket,24"),
        "defect_types.csv": _rows("defect_types.csv", "odd,Odd,forming,run,bodymaker,tooling,rare"),
        "service_levels.csv": _rows("service_levels.csv", "bodymaker,major,50000000,180,8,3"),
        "planning.csv": _rows("planning.csv", "late_weight,2.5"),
        "service_pins.csv": _rows(
            "service_pins.csv",
            "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9f51,2,1,minor,2026-03-21,2026-03-05T09:00:00Z,"
            "Kim,why,2026-03-06T09:00:00Z,unpinned",
        ),
        "replacement_costs.csv": _rows("replacement_costs.csv", "die,12.5,50,9000000,guess"),
        "tools.csv": _rows("tools.csv", "X-1,punch,1000,old"),
        "tool_fits.csv": _rows(
            "tool_fits.csv",
            "R-1,2,1,ring-1,2026-03-01T06:00:00Z,2026-03-02T06:00:00Z,planned",
        ),
        "tool_works.csv": _rows(
            "tool_works.csv", "R-1,2026-03-01T05:00:00Z,on-record,700000,200000,66.1825,two grinds"
        ),
        "coils.csv": _rows("coils.csv", "K9,3104,0.26,thick"),
        "coil_runs.csv": _rows("coil_runs.csv", "K2,2,2026-03-04T06:00:00Z,2026-03-04T09:00:00Z"),
        "pallets.csv": _rows(
            "pallets.csv", "N9,2,2026-03-01T06:30:00Z,2026-03-01T06:45:00Z,8169,held"
        ),
        "counter_events.csv": _rows("counter_events.csv", "2,1,2026-03-02T06:00:00Z,preset,10"),
        "counter_settlements.csv": _rows(
            "counter_settlements.csv",
            "2,1,2026-03-01T06:00:00Z,2026-03-03T08:00:00Z,made,2026-03-01T05:00:00Z,7,Kim,odd",
        ),
        "readings.csv": _rows("readings.csv", "2,1,2026-03-01T06:00:00Z,100"),
        "services.csv": _rows("services.csv", "2,1,minor,2026-03-02T06:00:00Z,yes,late"),
        "changes.csv": _rows("changes.csv", "2,1,2026-03-03T06:00:00Z,coolant,new batch"),
        "planned_periods.csv": _rows(
            "planned_periods.csv",
            "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9f50,no service,2,1,2026-03-20T06:00:00Z,"
            "2026-03-21T06:00:00Z,big order,2026-03-10T08:00:00Z,2026-03-11T08:00:00Z,order-7",
        ),
        "defects.csv": _rows(
            "defects.csv",
            "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e60,2026-03-02T08:00:00Z,2-1,split,3,,100,trimmer,"
            "2026-03-02T07:00:00Z,K2,N2,ring,seen twice,crew B,2026-03-02T08:05:00Z",
        ),
        "defect_corrections.csv": [
            GOOD["defect_corrections.csv"][0]
            | {"id": "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9f01", "corrected_at": "2026-03-02T10:00:00Z"}
        ],
        "measurements.csv": _rows(
            "measurements.csv",
            "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e70,2,1,2026-03-01T08:00:00Z,wall thickness,mm,0.1,8",
        ),
        "gauge_readings.csv": _rows(
            "gauge_readings.csv",
            "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e80,wall gauge 2,thin-wall,mm,7,Robin,1,0.1,"
            "2026-03-03T08:00:00Z",
        ),
        "baselines.csv": _rows(
            "baselines.csv",
            "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9f90,2,1,production,split,2026-03-01T06:00:00Z,"
            "2026-03-03T06:00:00Z,calm,2026-03-04T09:00:00Z,Robin",
        ),
    }.items()
    for row in rows
}


def good_rows() -> Rows:
    """A copy of `GOOD` to spoil."""
    return deepcopy(GOOD)


def csv_text(file: str, rows: Iterable[Mapping[str, str]]) -> list[list[str]]:
    """Header and rows of a file, in order of its columns."""
    columns = FILES_BY_NAME[file].columns
    return [list(columns), *([row.get(column, "") for column in columns] for row in rows)]


def write_folder(folder: Path, rows: Mapping[str, Sequence[Mapping[str, str]]]) -> Path:
    """Write a plant folder with plant.toml and these rows."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / PLANT_FILE).write_text(PLANT, encoding="utf-8")
    for file, of_file in rows.items():
        with (folder / file).open("w", encoding="utf-8", newline="") as opened:
            csv.writer(opened, lineterminator="\n").writerows(csv_text(file, of_file))
    return folder


def import_into(engine: Engine, folder: Path, **options: Any) -> Imported:
    """Import a folder as Robin, at noon on the first of April."""
    return import_whole(engine, folder, ACTOR, NOW, **options)


def import_good(engine: Engine, folder: Path) -> Imported:
    """Import a folder in which nothing is wrong."""
    done = import_into(engine, folder)
    assert not done.report.faults, "\n".join(done.report.sentences())
    assert done.is_kept
    return done


def sentences(done: Imported) -> list[str]:
    """What was wrong, one line each."""
    return list(done.report.sentences())


def content(engine: Engine) -> dict[str, list[tuple[Any, ...]]]:
    """Everything in the database, table by table, in an order of its own."""
    with reading(engine) as session:
        return {
            table.name: sorted((tuple(row) for row in session.execute(select(table))), key=repr)
            for table in metadata.sorted_tables
        }


def row_count(engine: Engine) -> int:
    """How many rows all tables hold together."""
    counted = " + ".join(f"(SELECT count(*) FROM {table.name})" for table in metadata.sorted_tables)
    with reading(engine) as session:
        return int(session.execute(text(f"SELECT {counted}")).scalar_one())


def exported(engine: Engine, folder: Path) -> dict[str, bytes]:
    """An export's files and their bytes."""
    export_folder(engine, folder)
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


DERIVED_IN_WORDS = {
    "stroke_hours": """
        SELECT l.line, m.number, d.hour_at, d.strokes, d.total_before FROM stroke_hours d
        JOIN machines m ON m.id = d.machine_id JOIN lines l ON l.id = m.line_id""",
    "counter_questions": """
        SELECT l.line, m.number, d.from_at, d.to_at, d.from_strokes, d.to_strokes
        FROM counter_questions d
        JOIN machines m ON m.id = d.machine_id JOIN lines l ON l.id = m.line_id""",
    "current_entries": """
        SELECT d.entry_id, l.line, m.number, t.defect, d.occurred_at, d.seen_at, d.dome_code,
            d.cans, d.occurrences, d.inspected, d.counted_occurrences, d.corrections, d.note
        FROM current_entries d JOIN defect_types t ON t.id = d.defect_id
        LEFT JOIN machines m ON m.id = d.machine_id LEFT JOIN lines l ON l.id = d.line_id""",
}


def derived(engine: Engine) -> dict[str, list[tuple[Any, ...]]]:
    """The derived tables with names in place of ids, which differ from database to database."""
    with reading(engine) as session:
        return {
            name: sorted((tuple(row) for row in session.execute(text(asked))), key=repr)
            for name, asked in DERIVED_IN_WORDS.items()
        }


ALL_COLUMNS = [(file.name, column) for file in FILES for column in file.columns]
