"""Facts may come shuffled, twice, in two parts and in any order: the database is the same."""

import random
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.intake.folders import Rows, derived, exported, import_good, write_folder
from tests.support.databases import Databases, Kind, open_engine
from tracelog.facts import write_value

START = datetime(2026, 3, 28, tzinfo=UTC)  # the clock is put forward on the next day
SETTINGS = (
    *("lines.csv", "machines.csv", "defect_types.csv", "service_levels.csv"),
    *("planning.csv", "replacement_costs.csv", "tools.csv", "coils.csv"),
)
# Columns that may be blank at first and be filled in by a later row.
ENDS = {
    "dome_codes.csv": ("valid_to",),
    "tool_fits.csv": ("removed_at", "removal_reason"),
    "tool_works.csv": ("strokes_before_since_work", "size_mm", "note"),
    "coil_runs.csv": ("ended_at",),
    "counter_settlements.csv": ("settled_by", "note"),
    "pallets.csv": ("ended_at", "cans", "status"),
    "services.csv": ("note",),
    "service_pins.csv": ("pinned_by", "note", "ended_at", "ended_because"),
    "planned_periods.csv": ("reason", "withdrawn_at"),
}


def minute(count: int) -> str:
    """An instant as the files write it."""
    return write_value(START + timedelta(minutes=count))


MINUTES = st.integers(0, 4000)
MACHINES = [(1, 1), (1, 2), (1, 10), (2, 1), (2, 2)]
BODYMAKERS = st.sampled_from(MACHINES)
CODES = st.sampled_from(["1-1", "1-2", "1-10", "2-1", "1-?", "?-1", "?-?", "1-1?", "2-7", ""])
WORDS = st.sampled_from(["", "a", "second word", 'é, quoted "x"', "line\nbreak"])
SHORT_WORDS = st.sampled_from(["", "a", "second word", "é, quoted"])


def _place(machine: tuple[int, int]) -> dict[str, str]:
    return {"line": str(machine[0]), "bodymaker": str(machine[1])}


@st.composite
def stays(draw: st.DrawFn, most: int) -> list[tuple[int, int | None]]:
    """Starts and ends one after the other, so that none contradicts another; an end may be open."""
    edges = sorted(draw(st.lists(MINUTES, max_size=2 * most, unique=True)))
    pairs = list(zip(edges[::2], edges[1::2], strict=False))
    return [(start, draw(st.sampled_from([end, end, None]))) for start, end in pairs]


def _until(end: int | None) -> str:
    return "" if end is None else minute(end)


@st.composite
def fits(draw: st.DrawFn) -> list[dict[str, str]]:
    """Fits of tools, each tool with a position of its own on each machine."""
    found = []
    for serial in ("P-1", "P-2", "R-1"):
        for start, end in draw(stays(3)):
            reason = draw(st.sampled_from(["", "worn", "moved"])) if end is not None else ""
            found.append(
                {"serial": serial, **_place(draw(BODYMAKERS)), "position": f"for {serial}"}
                | {"fitted_at": minute(start), "removed_at": _until(end), "removal_reason": reason}
            )
    # In one place several tools, one after the other.
    for place, (start, end) in enumerate(draw(stays(3))):
        found.append(
            {"serial": f"S-{place}", **_place((1, 1)), "position": "ring-1"}
            | {"fitted_at": minute(start), "removed_at": _until(end)}
        )
    return found


def _unique(rows: list[dict[str, str]], *key: str) -> list[dict[str, str]]:
    return list({tuple(row[column] for column in key): row for row in rows}.values())


def _entries(draw: st.DrawFn) -> Iterator[dict[str, str]]:
    for number in range(draw(st.integers(0, 8))):
        seen = draw(MINUTES)
        inspected = draw(st.sampled_from(["", "50"]))
        yield {
            "id": str(uuid.UUID(int=draw(st.integers(1, 2**60)) * 1000 + number, version=4)),
            "seen_at": minute(seen),
            "dome_code": draw(CODES),
            "defect": draw(st.sampled_from(["split", "wrinkle"])),
            "cans": str(draw(st.integers(0 if inspected else 1, 9))),
            "inspected": inspected,
            "made_at": draw(st.sampled_from(["", minute(seen - 30)])),
            "note": draw(WORDS),
        }


def _corrections(draw: st.DrawFn, entries: list[dict[str, str]]) -> Iterator[dict[str, str]]:
    for number, entry in enumerate(entries):
        for again in range(draw(st.integers(0, 2))):
            yield {
                "id": str(uuid.UUID(int=number * 10 + again + 1, version=4)),
                "entry": entry["id"],
                "corrected_at": minute(4000 + draw(st.integers(0, 3))),
                "corrected_by": "Kim",
                "reason": "looked again",
                "withdrawn": draw(st.sampled_from(["yes", "no", "no"])),
                "changes": draw(
                    st.sampled_from(
                        ["", '{"dome_code": "1-2"}', '{"dome_code": ""}', '{"defect": "wrinkle"}']
                    )
                ),
            }


@st.composite
def periods(draw: st.DrawFn) -> list[dict[str, str]]:
    """Planned periods of the plant, a line or a machine; some with an id, some withdrawn."""
    found = []
    for number in range(draw(st.integers(0, 5))):
        start, length = draw(MINUTES), draw(st.integers(1, 900))
        place = draw(st.sampled_from([{}, {"line": "2"}, _place((1, 10))]))
        has_id = draw(st.booleans())
        found.append(
            {"id": str(uuid.UUID(int=number + 1, version=4)) if has_id else "", **place}
            | {"kind": draw(st.sampled_from(["stop", "no service"])), "uid": str(number)}
            | {"starts_at": minute(start), "ends_at": minute(start + length)}
            | {"reason": draw(WORDS), "announced_at": draw(st.sampled_from(["", minute(0)]))}
            | {"withdrawn_at": draw(st.sampled_from(["", "", minute(100)]))}
        )
    return found


@st.composite
def works(draw: st.DrawFn) -> dict[str, str]:
    """Something done to a tool, or what its card says."""
    kind = draw(st.sampled_from(["regrind", "recoat", "clean", "scrap", "on-record"]))
    row = {"serial": draw(st.sampled_from(["P-1", "S-0"])), "done_at": minute(draw(MINUTES))}
    row |= {"work": kind, "size_mm": draw(st.sampled_from(["", "66.1825"])), "note": draw(WORDS)}
    if kind == "on-record":
        row |= {"strokes_before": draw(st.sampled_from(["", "9000"]))}
        row |= {"strokes_before_since_work": draw(st.sampled_from(["", "7000"]))}
    return row


@st.composite
def settlements(draw: st.DrawFn, read: list[tuple[tuple[int, int], int]]) -> list[dict[str, str]]:
    """What was decided on readings, most of it on a stretch that is there."""
    found = []
    for machine, at in read[: draw(st.integers(0, 8))]:
        row = {**_place(machine), "to_at": minute(at), "settled_by": draw(SHORT_WORDS)}
        row |= {"settled_at": minute(4000 + draw(st.integers(0, 2))), "note": draw(WORDS)}
        row["verdict"] = draw(st.sampled_from(["made", "made", "misread", "open"]))
        if row["verdict"] == "made":
            before = [other for place, other in read if place == machine and other < at]
            row |= {"from_at": minute(max(before, default=at - 5)), "strokes": "77"}
        found.append(row)
    return _unique(found, "line", "bodymaker", "to_at", "settled_at")


@st.composite
def plants(draw: st.DrawFn) -> Rows:
    """The rows of a plant folder in which nothing is wrong."""
    reading = st.tuples(BODYMAKERS, MINUTES, st.integers(0, 9999))
    read = {(machine, at): figure for machine, at, figure in draw(st.lists(reading, max_size=25))}
    event = st.tuples(BODYMAKERS, MINUTES, st.sampled_from(["reset", "preset", "replaced"]))
    events = {(machine, at): kind for machine, at, kind in draw(st.lists(event, max_size=3))}
    entries = list(_entries(draw))
    change = st.tuples(st.sampled_from(["", "1", "2"]), MINUTES, st.sampled_from(["label", "oil"]))
    gauged = st.tuples(st.sampled_from("123"), MINUTES, st.floats(0.01, 99))
    frozen = st.tuples(st.sampled_from(["", "1", "2"]), MINUTES, st.sampled_from(["calm", "é"]))
    measured = st.tuples(BODYMAKERS, MINUTES, st.floats(0.01, 99), SHORT_WORDS)
    return {
        "lines.csv": [{"line": "1", "name": draw(SHORT_WORDS)}, {"line": "2"}],
        "machines.csv": [
            {"line": str(line), "station": "bodymaker", "number": str(number)}
            | {"counter_max": draw(st.sampled_from(["9999", "99999"])), "rated_spm": "320"}
            for line, number in MACHINES
        ],
        "dome_codes.csv": [
            {"code": code, **_place(draw(BODYMAKERS)), "valid_from": minute(start)}
            | {"valid_to": _until(end)}
            for code in ("1-2", "2-7")
            for start, end in draw(stays(2))
        ],
        "station_parts.csv": [
            {"line": line, "station": "necker", "part": draw(st.sampled_from(["pocket", "finger"]))}
            | {"count": "12"}
            for line in "12"
        ],
        "defect_types.csv": [{"defect": "split", "severity": "leak"}, {"defect": "wrinkle"}],
        "service_levels.csv": [
            {"station": "bodymaker", "service": "minor", "interval_strokes": "1000000"}
        ],
        "planning.csv": [{"setting": "crews", "value": draw(st.sampled_from(["1", "3"]))}],
        "replacement_costs.csv": [
            {"tool_type": "punch", "planned_cost": "120", "note": draw(SHORT_WORDS)}
        ],
        "tools.csv": [
            {"serial": serial, "tool_type": "punch", "note": draw(WORDS)}
            for serial in ("P-1", "P-2", "R-1", "S-0", "S-1", "S-2")
        ],
        "tool_fits.csv": draw(fits()),
        "tool_works.csv": _unique(draw(st.lists(works(), max_size=6)), "serial", "done_at", "work"),
        "coils.csv": [{"coil": coil, "gauge_mm": "0.25"} for coil in ("K1", "K2")],
        "coil_runs.csv": [
            {"coil": coil, "line": draw(st.sampled_from("12"))}
            | {"started_at": minute(start), "ended_at": _until(end)}
            for coil in ("K1", "K2")
            for start, end in draw(stays(2))
        ],
        "pallets.csv": [
            {"pallet": f"N{number}", "line": "1", "started_at": minute(start)}
            | {"ended_at": _until(end), "cans": draw(st.sampled_from(["", "8169"]))}
            | {"status": draw(st.sampled_from(["", "held"]))}
            for number, (start, end) in enumerate(draw(stays(3)))
        ],
        "readings.csv": [
            {**_place(machine), "read_at": minute(at), "strokes": str(figure)}
            for (machine, at), figure in read.items()
        ],
        "counter_events.csv": [
            {**_place(machine), "at": minute(at), "event": kind, "strokes_after": "7"}
            for (machine, at), kind in events.items()
        ],
        "counter_settlements.csv": draw(settlements(list(read))),
        "services.csv": [
            {**_place(machine), "service": "minor", "done_at": minute(at), "note": draw(WORDS)}
            for machine, at in draw(
                st.lists(st.tuples(BODYMAKERS, MINUTES), max_size=3, unique=True)
            )
        ],
        "service_pins.csv": [
            {**_place(machine), "service": "minor", "pinned_on": "2026-04-02"}
            | {"pinned_at": minute(at), "ended_at": _until(end)}
            for machine in MACHINES
            for at, end in draw(stays(1))
        ],
        "changes.csv": _unique(
            [
                {"line": "1", "bodymaker": number, "at": minute(at), "kind": kind}
                for number, at, kind in draw(st.lists(change, max_size=3))
            ],
            *("bodymaker", "at", "kind"),
        ),
        "planned_periods.csv": draw(periods()),
        "defects.csv": entries,
        "defect_corrections.csv": list(_corrections(draw, entries)),
        "measurements.csv": _unique(
            [
                {**_place(machine), "measured_at": minute(at), "characteristic": "wall"}
                | {"value": repr(value), "subgroup": subgroup}
                for machine, at, value, subgroup in draw(st.lists(measured, max_size=4))
            ],
            *("line", "bodymaker", "measured_at", "subgroup"),
        ),
        "gauge_readings.csv": _unique(
            [
                {"study": "one", "characteristic": "wall", "part": part, "appraiser": "Kim"}
                | {"trial": "1", "measured_at": minute(at), "value": repr(value)}
                for part, at, value in draw(st.lists(gauged, max_size=3))
            ],
            "part",
        ),
        "baselines.csv": _unique(
            [
                {"line": "1", "bodymaker": number, "evidence": "production", "of": "split"}
                | {"starts_at": minute(at), "ends_at": minute(at + 500), "reason": why}
                | {"frozen_at": minute(at + 900), "frozen_by": "Kim"}
                for number, at, why in draw(st.lists(frozen, max_size=3))
            ],
            *("bodymaker", "frozen_at"),
        ),
    }


@dataclass(frozen=True)
class Split:
    """A plant's rows, whole and in two parts that together say the same."""

    whole: Rows
    parts: tuple[Rows, Rows]


def split(whole: Rows, chance: random.Random) -> Split:
    """Spread the facts over two parts, some in both, some at first without their end; shuffled."""
    parts: tuple[Rows, Rows] = ({}, {})
    entries: tuple[set[str], set[str]] = (set(), set())
    for file, rows in whole.items():
        for row in rows:
            chosen = chance.choice([(0,), (1,), (0, 1)])
            if file in SETTINGS:
                chosen = (0, 1)
            elif file == "defect_corrections.csv":
                # A correction needs its entry, so it comes with it.
                chosen = tuple(place for place in (0, 1) if row["entry"] in entries[place])
            if file == "defects.csv":
                for place in chosen:
                    entries[place].add(row["id"])
            for place in chosen:
                parts[place].setdefault(file, []).append(row)
            if len(chosen) == 1 and file in ENDS and chance.random() < 0.5:
                # The other part knows of it too, but not of its end.
                blank = row | dict.fromkeys(ENDS[file], "")
                parts[1 - chosen[0]].setdefault(file, []).append(blank)
    for rows in [*whole.values(), *parts[0].values(), *parts[1].values()]:
        chance.shuffle(rows)
    return Split(whole, parts)


def _same_database(databases: Databases, whole: Rows, chance: random.Random) -> None:
    made = split(whole, chance)
    found = []
    with TemporaryDirectory() as folder:
        at = Path(folder)
        write_folder(at / "whole", made.whole)
        write_folder(at / "one", made.parts[0])
        write_folder(at / "other", made.parts[1])
        for number, order in enumerate((["whole"], ["one", "other"], ["other", "one"])):
            engine = open_engine(databases.migrated())
            for name in order:
                import_good(engine, at / name)
            found.append((exported(engine, at / f"out{number}"), derived(engine)))
            engine.dispose()
        databases.remove_all()
    assert found[1] == found[0]
    assert found[2] == found[0]


def _examples(kind: Kind) -> int:
    wanted = settings.get_current_profile_name()
    return {"sqlite": 12, "postgresql": 2}[kind] * (20 if wanted == "thorough" else 1)


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_the_database_does_not_depend_on_the_order_of_arrival(kind: Kind) -> None:
    databases = Databases(kind)

    @settings(
        max_examples=_examples(kind),
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(whole=plants(), seed=st.integers(0, 2**32))
    def holds(whole: Rows, seed: int) -> None:
        _same_database(databases, whole, random.Random(seed))

    holds()
    assert databases.kind == kind
