"""Three years of a big plant, made by the database itself: what tracing is timed on.

Four lines of eight bodymakers. Everything follows from the number of its row, so two databases of
one size hold the same. Facts and derived tables fit each other: strokes per hour are those of the
readings, entries as they stand are those logged.
"""

import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from sqlalchemy import Connection, Engine, insert, text
from sqlalchemy.orm import Session
from sqlalchemy.schema import CreateIndex, DropIndex

from tracelog.db import upgrade
from tracelog.defects.actions import rebuild_tallies
from tracelog.schema import metadata

FIRST = datetime(2023, 11, 1, tzinfo=UTC)
DAYS = 1096
END = FIRST + timedelta(days=DAYS)
LINES, NUMBERS = 4, 8
MACHINES = LINES * NUMBERS
POSITIONS = ("punch", "redraw-sleeve", "ring-1", "ring-2", "ring-3", "dome-plug", "dome-ring")
DEFECTS = ("split", "wrinkle", "pinhole", "thin-wall", "scratch", "dent", "short-can", "dome-crack")
SPM = 350
STAY_DAYS = 30
TOOL_SETS = 6
COIL_HOURS = 5
PALLET_SECONDS = 175
CANS_ON_PALLET = 8169
# Rows at full size: a reading a minute, and entries by the million.
ENTRIES = 10_000_000
MINUTES = 1
# Odd, and beyond 32 bits with sign, so that PostgreSQL multiplies in 64; multiples of each fill a
# range evenly, and the three together a box.
_MULTIPLIERS = (2_654_435_761, 3_144_134_277, 2_246_822_519)
_BIG = ("readings", "stroke_hours", "pallets", "entries", "current_entries", "measurements")


@dataclass(frozen=True)
class Size:
    """How many rows: one `part`-th of the entries, and a reading every `part` minutes.

    `times` so many entries, to see what they alone cost.
    """

    part: int
    times: int = 1

    @property
    def entries(self) -> int:
        """Entries in three years."""
        return self.times * ENTRIES // self.part

    @property
    def minutes(self) -> int:
        """Minutes between two readings of a machine."""
        return MINUTES * self.part


class Words:
    """How each engine says the few things that they say differently."""

    def __init__(self, is_sqlite: bool) -> None:
        self.is_sqlite = is_sqlite

    def series(self, count: int) -> tuple[str, str]:
        """What stands before SELECT, and after FROM, for n from 0 on."""
        if self.is_sqlite:
            made = f"VALUES(0) UNION ALL SELECT n + 1 FROM s WHERE n < {count - 1}"
            return f"WITH RECURSIVE s(n) AS ({made})", "s"
        return "", f"generate_series(0, {count - 1}) AS s(n)"

    def instant(self, seconds: str) -> str:
        """So many seconds after the first instant."""
        moment = f"{int(FIRST.timestamp())} + {seconds}"
        if self.is_sqlite:
            return f"strftime('%Y-%m-%d %H:%M:%S.000000', {moment}, 'unixepoch')"
        return f"to_timestamp({moment})"

    def id(self, kind: int, number: str) -> str:
        """An id that says of which table and row it is."""
        if self.is_sqlite:
            return f"printf('{kind:02x}%030x', {number})"
        return f"('{kind:02x}' || lpad(to_hex({number}), 30, '0'))::uuid"

    def pick(self, number: str, choices: int, draw: int = 0) -> str:
        """One of so many, spread evenly; each `draw` of a number by itself, whatever the others."""
        return f"(({number} * {_MULTIPLIERS[draw]} + 40503) / 65536 % {choices})"


def row_id(kind: int, number: int) -> uuid.UUID:
    """The same id as `Words.id`."""
    return uuid.UUID(f"{kind:02x}{number:030x}")


PLANT, LINE, MACHINE, TOOL, FIT, COIL, RUN, AUDIT, DEFECT = range(1, 10)
PALLET, ENTRY, MEASURED, CHANGE, SERVICE, LEVEL = range(20, 26)
_AUDIT_ID = row_id(AUDIT, 1)


def build(engine: Engine, size: Size) -> dict[str, int]:
    """Make the tables and fill them; returns the number of rows of the big ones."""
    upgrade(engine)
    words = Words(engine.dialect.name == "sqlite")
    with engine.connect() as raw:
        connection = raw.execution_options(tracelog_writes=True)
        _bare(connection, words)
        for table, rows in _small():
            connection.execute(insert(metadata.tables[table]), rows)
        connection.commit()
        for statement in _big(words, size):
            connection.execute(text(statement))
            connection.commit()
        indexes = [one for name in _BIG for one in metadata.tables[name].indexes]
        for index in indexes:
            connection.execute(CreateIndex(index))
            connection.commit()
        with Session(bind=connection) as session:
            rebuild_tallies(session)
            session.commit()
        counts = {
            name: connection.execute(text(f"SELECT count(*) FROM {name}")).scalar_one()
            for name in _BIG
        }
        connection.commit()
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("ANALYZE" if words.is_sqlite else "VACUUM ANALYZE")
    return counts


def _bare(connection: Connection, words: Words) -> None:
    """Without indexes and foreign keys while rows pour in."""
    if words.is_sqlite:
        connection.exec_driver_sql("COMMIT")
        connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
        connection.exec_driver_sql("PRAGMA synchronous=OFF")
        connection.exec_driver_sql("BEGIN IMMEDIATE")
    else:
        connection.exec_driver_sql("SET session_replication_role = replica")
        connection.exec_driver_sql("SET maintenance_work_mem = '512MB'")
    for name in _BIG:
        for index in metadata.tables[name].indexes:
            connection.execute(DropIndex(index))
    connection.commit()


def _small() -> Iterator[tuple[str, Sequence[Mapping[str, Any]]]]:
    """What Python makes: some tens of thousands of rows."""
    audit = {"audit_id": _AUDIT_ID}
    yield "audit_records", [_audit_record()]
    yield (
        "plants",
        [
            {
                "id": row_id(PLANT, 1),
                "name": "Big Bend",
                "time_zone": "Europe/Madrid",
                "transit_min_minutes": 20,
                "transit_max_minutes": 95,
                "rota_starts_on": date(2023, 10, 30),
            }
        ],
    )
    shifts = (("day", time(6)), ("night", time(18)))
    yield (
        "shifts",
        [
            {"plant_id": row_id(PLANT, 1), "ordinal": place, "name": name, "starts": starts}
            for place, (name, starts) in enumerate(shifts)
        ],
    )
    crews = ("AC", "AC", "BD", "BD", "CA", "CA", "DB", "DB")
    yield (
        "rota_days",
        [
            {"plant_id": row_id(PLANT, 1), "day": day, "shift_ordinal": place, "crew": crew}
            for day, both in enumerate(crews)
            for place, crew in enumerate(both)
        ],
    )
    yield (
        "lines",
        [
            {"id": row_id(LINE, line), "plant_id": row_id(PLANT, 1), "line": line, "name": None}
            for line in range(1, LINES + 1)
        ],
    )
    yield (
        "machines",
        [
            {
                "id": row_id(MACHINE, place),
                "line_id": row_id(LINE, place // NUMBERS + 1),
                "station": "bodymaker",
                "number": place % NUMBERS + 1,
                "rated_spm": float(SPM),
            }
            for place in range(MACHINES)
        ],
    )
    yield (
        "defect_types",
        [
            {"id": row_id(DEFECT, place), "defect": defect, "severity": "run"}
            for place, defect in enumerate(DEFECTS)
        ],
    )
    yield (
        "service_levels",
        [
            {
                "id": row_id(LEVEL, place),
                "station": "bodymaker",
                "service": service,
                "interval_strokes": millions * 1_000_000,
            }
            for place, (service, millions) in enumerate((("minor", 10), ("major", 50)))
        ],
    )
    yield (
        "services",
        [
            {
                "id": row_id(SERVICE, 1000 * machine + number),
                "unplanned": False,
                "machine_id": row_id(MACHINE, machine),
                **audit,
                "service": "major" if number % 5 == 0 else "minor",
                "done_at": FIRST + timedelta(days=20 * number, hours=machine),
            }
            for machine in range(MACHINES)
            for number in range(DAYS // 20)
        ],
    )
    yield (
        "changes",
        [
            {
                "id": row_id(CHANGE, 1000 * machine + number),
                **audit,
                "line_id": row_id(LINE, machine // NUMBERS + 1),
                "machine_id": row_id(MACHINE, machine),
                "kind": ("coolant", "pressure")[number % 2],
                "at": FIRST + timedelta(days=14 * number, minutes=machine),
            }
            for machine in range(MACHINES)
            for number in range(DAYS // 14)
        ],
    )
    yield from _tools()
    yield from _coils()


def _audit_record() -> dict[str, Any]:
    return {
        "id": _AUDIT_ID,
        "sequence": 1,
        "actor": "bench",
        "door": "command",
        "at": FIRST,
        "action": "build",
        "subject_kind": "plant",
        "subject": "Big Bend",
        "previous_hash": "0" * 64,
        "hash": "1" * 64,
    }


def tool_of(position: int, machine: int, stay: int) -> int:
    """Which tool is in a position: each goes to another machine at every stay."""
    return (position * TOOL_SETS + stay % TOOL_SETS) * MACHINES + (machine + 5 * stay) % MACHINES


def serial_of(tool: int) -> str:
    """The serial of a tool."""
    return f"T{tool:05d}"


def _tools() -> Iterator[tuple[str, Sequence[Mapping[str, Any]]]]:
    per_position = TOOL_SETS * MACHINES
    yield (
        "tools",
        [
            {
                "id": row_id(TOOL, tool),
                "serial": serial_of(tool),
                "life_strokes": 15_000_000,
                "tool_type": POSITIONS[tool // per_position],
            }
            for tool in range(len(POSITIONS) * per_position)
        ],
    )
    stays = -(-DAYS // STAY_DAYS)
    fits = []
    for position, name in enumerate(POSITIONS):
        for machine in range(MACHINES):
            for stay in range(stays):
                fitted_at = FIRST + timedelta(days=STAY_DAYS * stay, hours=machine)
                is_last = stay == stays - 1
                fits.append(
                    {
                        "id": row_id(FIT, len(fits)),
                        "tool_id": row_id(TOOL, tool_of(position, machine, stay)),
                        "machine_id": row_id(MACHINE, machine),
                        "position": name,
                        "fitted_at": fitted_at,
                        "removed_at": None if is_last else fitted_at + timedelta(days=STAY_DAYS),
                        "removal_reason": None if is_last else "worn",
                        "audit_id": _AUDIT_ID,
                    }
                )
    yield "tool_fits", fits


def _coils() -> Iterator[tuple[str, Sequence[Mapping[str, Any]]]]:
    runs = DAYS * 24 // COIL_HOURS
    yield (
        "coils",
        [
            {
                "id": row_id(COIL, number),
                "coil": f"K{number:06d}",
                "alloy": "3104",
                "gauge_mm": 0.245,
            }
            for number in range(LINES * runs)
        ],
    )
    yield (
        "coil_runs",
        [
            {
                "id": row_id(RUN, line * runs + run),
                "coil_id": row_id(COIL, line * runs + run),
                "line_id": row_id(LINE, line + 1),
                "audit_id": _AUDIT_ID,
                "started_at": FIRST + timedelta(hours=COIL_HOURS * run),
                "ended_at": FIRST + timedelta(hours=COIL_HOURS * (run + 1)),
            }
            for line in range(LINES)
            for run in range(runs)
        ],
    )


def _big(words: Words, size: Size) -> Iterator[str]:
    """What the database makes: one statement for each machine, line or table."""
    audit = words.id(AUDIT, "1")
    every = 60 * size.minutes
    for machine in range(MACHINES):
        own = words.id(MACHINE, str(machine))
        before, source = words.series(DAYS * 24 * 60 // size.minutes + 1)
        yield (
            "INSERT INTO readings (machine_id, read_at, strokes, audit_id)"
            f" {before} SELECT {own}, {words.instant(f'n * {every}')},"
            f" CAST(n AS BIGINT) * {SPM * size.minutes}, {audit} FROM {source}"
        )
        before, source = words.series(DAYS * 24)
        yield (
            "INSERT INTO stroke_hours (machine_id, hour_at, strokes, total_before)"
            f" {before} SELECT {own}, {words.instant('n * 3600')},"
            f" {60 * SPM}, CAST(n AS BIGINT) * {60 * SPM} FROM {source}"
        )
    yield from _pallets(words, audit)
    yield from _entries(words, size, audit)
    before, source = words.series(MACHINES * DAYS * 24)
    machine = f"n % {MACHINES}"
    yield (
        "INSERT INTO measurements"
        " (id, machine_id, measured_at, characteristic, unit, value, audit_id)"
        f" {before} SELECT {words.id(MEASURED, 'n')}, {words.id(MACHINE, machine)},"
        f" {words.instant(f'n / {MACHINES} * 3600')},"
        " CASE n % 3 WHEN 0 THEN 'thin-wall' WHEN 1 THEN 'dome-depth' ELSE 'trim-height' END,"
        f" 'mm', 0.1 + {words.pick('n', 100)} / 10000.0, {audit} FROM {source}"
    )


def _pallets(words: Words, audit: str) -> Iterator[str]:
    pallets = DAYS * 86_400 // PALLET_SECONDS
    for line in range(LINES):
        before, source = words.series(pallets)
        number = f"(n + {line * pallets})"
        name = f"'W{line + 1}-' || n"
        yield (
            "INSERT INTO pallets"
            " (id, pallet, line_id, started_at, ended_at, cans, status, audit_id)"
            f" {before} SELECT {words.id(PALLET, number)}, {name},"
            f" {words.id(LINE, str(line + 1))}, {words.instant(f'n * {PALLET_SECONDS}')},"
            f" {words.instant(f'(n + 1) * {PALLET_SECONDS}')}, {CANS_ON_PALLET},"
            f" 'released', {audit} FROM {source}"
        )


def _entries(words: Words, size: Size, audit: str) -> Iterator[str]:
    """Logged evenly over the years; one in fifty tells when the can was made, an hour before."""
    said = (
        "seen_at, made_at, dome_code, defect_id, cans, occurrences, inspected, found_at, coil,"
        " pallet, mark, note, logged_by, logged_at"
    )
    apart = f"n * {DAYS * 86_400}.0 / {size.entries}"
    seconds = f"CAST({apart} AS INTEGER)" if words.is_sqlite else f"floor({apart})::bigint"
    before, source = words.series(size.entries)
    machine = words.pick("n", MACHINES)
    code = f"({machine} / {NUMBERS} + 1) || '-' || ({machine} % {NUMBERS} + 1)"
    made = f"CASE WHEN n % 50 = 0 THEN {words.instant(f'{seconds} - 3600')} END"
    yield (
        f"INSERT INTO entries (id, {said}, audit_id) {before}"
        f" SELECT {words.id(ENTRY, 'n')}, {words.instant(seconds)}, {made}, {code},"
        f" {words.id(DEFECT, words.pick('n', len(DEFECTS), 1))}, 1 + {words.pick('n', 3, 2)},"
        f" NULL, NULL, 'bodymaker', NULL, NULL, NULL, NULL, 'olga',"
        f" {words.instant(f'{seconds} + 60')}, {audit} FROM {source}"
    )
    place = "CAST(substr(dome_code, 1, 1) AS INTEGER)"
    number = "CAST(substr(dome_code, 3, 1) AS INTEGER)"
    own = words.id(MACHINE, f"(({place} - 1) * {NUMBERS} + {number} - 1)")
    yield (
        f"INSERT INTO current_entries (entry_id, {said}, line_id, machine_id, occurred_at,"
        f" counted_occurrences, corrections) SELECT id, {said}, {words.id(LINE, place)}, {own},"
        " coalesce(made_at, seen_at), cans, 0 FROM entries ORDER BY id"
    )
