"""The simulated plant as the rows of its files."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from seed_demo.chance import entry_ids
from seed_demo.changes import Change
from seed_demo.clock import ROTA, SHIFTS, PlantClock
from seed_demo.coils import LineCoils
from seed_demo.counters import Counters
from seed_demo.logbook import Alias
from seed_demo.machines import (
    OTHER_STATIONS,
    PLANT_NAME,
    STATION_PARTS,
    TRANSIT_MINUTES,
    Bodymaker,
)
from seed_demo.measurements import CHARACTERISTICS, Measurements
from seed_demo.pallets import LinePallets
from seed_demo.planned import PlannedPeriod
from seed_demo.services import LEVELS, Service
from seed_demo.tools import TOOL_TYPES, Fit, Tool
from seed_demo.workshop import Work

Row = tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """One csv file: its name, header and rows of text."""

    name: str
    header: tuple[str, ...]
    rows: Sequence[Row]


HEADERS: dict[str, str] = {
    "lines.csv": "line,name",
    "machines.csv": "line,station,number,name,counter_max,rated_spm",
    "dome_codes.csv": "code,line,bodymaker,valid_from,valid_to",
    "station_parts.csv": "line,station,part,count",
    "readings.csv": "line,bodymaker,read_at,strokes",
    "counter_events.csv": "line,bodymaker,at,event,strokes_after",
    "defect_types.csv": "defect,name,stage,severity,arises_at,traces_to,notes",
    "defects.csv": "id,seen_at,dome_code,defect,cans,occurrences,inspected,found_at,made_at,"
    "coil,pallet,mark,note,logged_by,logged_at",
    "tools.csv": "serial,tool_type,life_strokes,note",
    "tool_fits.csv": "serial,line,bodymaker,position,fitted_at,removed_at,removal_reason",
    "tool_works.csv": "serial,done_at,work,strokes_before,strokes_before_since_work,size_mm,note",
    "service_levels.csv": "station,service,interval_strokes,interval_days,hours,people",
    "services.csv": "line,bodymaker,service,done_at,unplanned,note",
    "coils.csv": "coil,alloy,gauge_mm,note",
    "coil_runs.csv": "coil,line,started_at,ended_at",
    "pallets.csv": "pallet,line,started_at,ended_at,cans,status",
    "changes.csv": "line,bodymaker,at,kind,note",
    "planned_periods.csv": "id,kind,line,bodymaker,starts_at,ends_at,reason,announced_at,"
    "withdrawn_at,uid",
    "measurements.csv": "id,line,bodymaker,measured_at,characteristic,unit,value,subgroup",
}


def table(name: str, rows: Sequence[Row]) -> Table:
    """Return the table of a file with its header."""
    return Table(name, tuple(HEADERS[name].split(",")), rows)


def plant_toml(clock: PlantClock) -> str:
    """Return the text of plant.toml."""
    shifts = "".join(
        f'\n[[shift]]\nname = "{name}"\nstarts = "{starts:%H:%M}"\n' for name, starts in SHIFTS
    )
    days = ",\n".join(
        "  { " + ", ".join(f'{shift} = "{crew}"' for shift, crew in day.items()) + " }"
        for day in ROTA
    )
    low, high = TRANSIT_MINUTES
    return (
        f'name = "{PLANT_NAME}"\ntime_zone = "{clock.zone.key}"\n'
        f"\n[transit]\nminutes = [{low}, {high}]\n{shifts}"
        f'\n[rota]\nstarts_on = "{clock.rota_starts_on.isoformat()}"\ncycle = [\n{days},\n]\n'
    )


def machine_rows(machines: list[Bodymaker]) -> list[Row]:
    """Return the rows of machines.csv: per line the bodymakers and one of each other station."""
    rows: list[Row] = []
    for line in sorted({m.line for m in machines}):
        for m in machines:
            if m.line == line:
                name = f"Bodymaker {m.code}"
                rows.append(
                    (
                        str(line),
                        "bodymaker",
                        str(m.number),
                        name,
                        str(m.counter_max),
                        str(m.rated_spm),
                    )
                )
        for station, spm in OTHER_STATIONS:
            name = f"{station.capitalize()} {line}"
            rows.append((str(line), station, "1", name, "", "" if spm is None else str(spm)))
    return rows


def station_part_rows(lines: int) -> list[Row]:
    """Return the rows of station_parts.csv: the same machines on every line."""
    return [
        (str(line), station, part, str(count))
        for line in range(1, lines + 1)
        for station, part, count in STATION_PARTS
    ]


def dome_code_rows(clock: PlantClock, machines: list[Bodymaker], alias: Alias | None) -> list[Row]:
    """Return the rows of dome_codes.csv: the lent doming tool, if there was one."""
    if alias is None:
        return []
    bearer = machines[alias.machine]
    since, until = clock.utc_text(np.array([alias.start, alias.end]))
    return [(machines[alias.number_of].code, *_place(bearer), since, until)]


def reading_rows(clock: PlantClock, machines: list[Bodymaker], counters: Counters) -> list[Row]:
    """Return the rows of readings.csv in order of arrival."""
    readings = counters.readings
    places = [(str(m.line), str(m.number)) for m in machines]
    return [
        (*places[machine], at, str(raw))
        for machine, at, raw in zip(
            readings.machine.tolist(),
            clock.utc_text(readings.at),
            readings.raw.tolist(),
            strict=True,
        )
    ]


def counter_event_rows(
    clock: PlantClock, machines: list[Bodymaker], counters: Counters
) -> list[Row]:
    """Return the rows of counter_events.csv: the declared ones only."""
    at = clock.utc_text(np.array([step.at for step in counters.declared], dtype=np.int64))
    return [
        (*_place(machines[step.machine]), text, step.event, str(step.after))
        for step, text in zip(counters.declared, at, strict=True)
    ]


def tool_rows(tools: list[Tool]) -> list[Row]:
    """Return the rows of tools.csv."""
    return [
        (t.serial, TOOL_TYPES[t.kind].tool_type, str(TOOL_TYPES[t.kind].life_strokes), t.note)
        for t in tools
    ]


def fit_rows(clock: PlantClock, machines: list[Bodymaker], fits: list[Fit]) -> list[Row]:
    """Return the rows of tool_fits.csv in order of fitting."""
    ordered = sorted(fits, key=lambda f: (f.fitted, f.machine, f.kind))
    fitted = clock.utc_text(np.array([f.fitted for f in ordered]))
    removed = clock.utc_text(np.array([f.removed or 0.0 for f in ordered]))
    return [
        (
            f.tool.serial,
            *_place(machines[f.machine]),
            TOOL_TYPES[f.kind].tool_type,
            start,
            "" if f.removed is None else end,
            f.reason,
        )
        for f, start, end in zip(ordered, fitted, removed, strict=True)
    ]


def work_rows(clock: PlantClock, works: list[Work]) -> list[Row]:
    """Return the rows of tool_works.csv in order of time."""
    done = clock.utc_text(np.array([work.at for work in works], dtype=np.int64))
    return [
        (
            *(work.serial, at, work.work),
            *(("" if work.strokes_before is None else str(work.strokes_before),) * 2),
            "" if work.size is None else f"{work.size:.4f}",
            work.note,
        )
        for work, at in zip(works, done, strict=True)
    ]


def level_rows() -> list[Row]:
    """Return the rows of service_levels.csv."""
    return [
        (
            "bodymaker",
            level.service,
            str(level.interval_strokes),
            str(level.interval_days or ""),
            str(level.hours),
            str(level.people),
        )
        for level in LEVELS
    ]


def service_rows(
    clock: PlantClock, machines: list[Bodymaker], services: list[Service]
) -> list[Row]:
    """Return the rows of services.csv; a level brings the lower ones it contains along.

    Planned services carry plant time without offset, as a planner writes it; they end in
    working hours, when no clock changes.
    """
    done = sorted((s for s in services if s.end <= clock.seconds), key=lambda s: s.end)
    ends = np.array([s.end for s in done])
    plain, exact = clock.local_text(ends, with_offset=False), clock.local_text(ends)
    return [
        (
            *_place(machines[s.machine]),
            LEVELS[level].service,
            exact[n] if s.unplanned else plain[n],
            "yes" if s.unplanned else "no",
            s.note if level == s.level else f"part of {LEVELS[s.level].service}",
        )
        for n, s in enumerate(done)
        for level in range(s.level, -1, -1)
    ]


def coil_rows(coils: list[LineCoils]) -> list[Row]:
    """Return the rows of coils.csv."""
    return [
        (coil, "3104", gauge, f"melt {melt}")
        for own in coils
        for coil, gauge, melt in zip(own.coils, own.gauges, own.melts, strict=True)
    ]


def coil_run_rows(clock: PlantClock, coils: list[LineCoils]) -> list[Row]:
    """Return the rows of coil_runs.csv; the last coil of each line is still running."""
    rows: list[Row] = []
    for own in coils:
        starts = clock.utc_text(own.starts)
        ends = [*starts[1:], ""]
        line = str(own.line)
        rows.extend((c, line, s, e) for c, s, e in zip(own.coils, starts, ends, strict=True))
    return rows


def pallet_rows(clock: PlantClock, pallets: list[LinePallets]) -> list[Row]:
    """Return the rows of pallets.csv."""
    rows: list[Row] = []
    for own in pallets:
        line = str(own.line)
        starts, ends = clock.utc_text(own.starts), clock.utc_text(own.ends)
        rows.extend(
            (pallet, line, start, end, str(cans), "held" if held else "released")
            for pallet, start, end, cans, held in zip(
                own.pallets, starts, ends, own.cans, own.held, strict=True
            )
        )
    return rows


def change_rows(clock: PlantClock, changes: list[Change]) -> list[Row]:
    """Return the rows of changes.csv."""
    at = clock.utc_text(np.array([c.at for c in changes], dtype=np.int64))
    return [
        (str(c.line), str(c.bodymaker or ""), text, c.kind, c.note)
        for c, text in zip(changes, at, strict=True)
    ]


def planned_rows(clock: PlantClock, planned: list[PlannedPeriod]) -> list[Row]:
    """Return the rows of planned_periods.csv; ids are left to whoever reads them."""
    starts = clock.utc_text(np.array([p.starts for p in planned]))
    ends = clock.utc_text(np.array([p.ends for p in planned]))
    announced = clock.utc_text(np.array([p.announced or 0 for p in planned]))
    withdrawn = clock.utc_text(np.array([p.withdrawn or 0 for p in planned]))
    return [
        (
            *("", p.kind, str(p.line or ""), str(p.bodymaker or ""), starts[n], ends[n], p.reason),
            "" if p.announced is None else announced[n],
            "" if p.withdrawn is None else withdrawn[n],
            "",
        )
        for n, p in enumerate(planned)
    ]


def measurement_rows(
    clock: PlantClock, machines: list[Bodymaker], measured: Measurements, rng: np.random.Generator
) -> list[Row]:
    """Return the rows of measurements.csv in order of time."""
    at = clock.utc_text(measured.at)
    ids = entry_ids(measured.at + int(clock.start_at.timestamp()), rng)
    rows: list[Row] = []
    for n, (machine, kind, value, subgroup) in enumerate(
        zip(
            measured.machine.tolist(),
            measured.characteristic.tolist(),
            measured.value.tolist(),
            measured.subgroup.tolist(),
            strict=True,
        )
    ):
        what = CHARACTERISTICS[kind]
        figure = f"{value:.{what.decimals}f}"
        rows.append(
            (
                ids[n],
                *_place(machines[machine]),
                at[n],
                what.characteristic,
                what.unit,
                figure,
                str(subgroup),
            )
        )
    return rows


def _place(machine: Bodymaker) -> tuple[str, str]:
    return str(machine.line), str(machine.number)
