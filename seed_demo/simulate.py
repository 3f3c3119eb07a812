"""Simulate a plant of a given size: run it, serve it, wear its tools, log its defects."""

from dataclasses import dataclass

import numpy as np

from seed_demo import tables
from seed_demo.chance import stream
from seed_demo.changes import make_changes
from seed_demo.clock import IntArray, PlantClock
from seed_demo.coils import LineCoils, bad_coil, run_coils
from seed_demo.counters import Counters, read_counters
from seed_demo.defects import Findings, find_defects
from seed_demo.faults import (
    PRESSURE_KIND,
    FaultSchedule,
    FaultWindow,
    PlantedFault,
    coil_windows,
    pressure_windows,
    ring_windows,
    schedule_faults,
    tell,
)
from seed_demo.logbook import write_entries
from seed_demo.machines import Bodymaker, Roles, build_bodymakers, choose_roles
from seed_demo.measurements import measure
from seed_demo.pallets import fill_pallets
from seed_demo.running import Running, run_plant
from seed_demo.services import Service, rebuild_window, serve
from seed_demo.sizes import PlantSize
from seed_demo.tools import ToolHistory, run_tools
from seed_demo.vocabulary import defect_type_rows


@dataclass(frozen=True)
class SimulatedPlant:
    """A simulated plant: the truth about it, and what its files say.

    `running` knows the true strokes; `unaccounted_strokes` are those per machine that nobody
    can know from readings and declared events; `faults` tells the planted faults.
    """

    size: PlantSize
    seed: int
    clock: PlantClock
    machines: list[Bodymaker]
    running: Running
    services: list[Service]
    tools: ToolHistory
    counters: Counters
    findings: Findings
    faults: tuple[PlantedFault, ...]
    fault_windows: tuple[FaultWindow, ...]
    plant_toml: str
    tables: tuple[tables.Table, ...]

    @property
    def unaccounted_strokes(self) -> IntArray:
        """True strokes per machine that cannot be known from the files."""
        return self.counters.unaccounted


def simulate(size: PlantSize, seed: int) -> SimulatedPlant:
    """Return the plant of this size for this seed: the same pair always gives the same plant."""

    def chance(subject: str) -> np.random.Generator:
        return stream(seed, subject)

    clock = PlantClock.of(size)
    machines = build_bodymakers(size, chance("machines"))
    roles, schedule = choose_roles(size), schedule_faults(clock)
    running = run_plant(clock, machines, chance("running"))
    services = serve(clock, machines, running, roles, chance("services"))
    tools = run_tools(running, services, roles, schedule, rebuild_window(clock), chance("tools"))
    counters = read_counters(clock, machines, running, services, chance("counters"))
    coils = run_coils(machines, running, chance("coils"))
    bad = next(own for own in coils if own.line == roles.coil_line)
    bad_index = bad_coil(bad, schedule.coil_near)
    faults, windows = _faults(clock, machines, roles, schedule, tools, bad, bad_index)
    pallets = fill_pallets(
        clock, machines, running, size.pallet_days, (bad, bad_index), chance("pallets")
    )
    findings = find_defects(clock, running, windows, chance("defects"))
    alias = None
    if tools.lent and roles.dome_from is not None and roles.dome_to is not None:
        alias = (roles.dome_to, roles.dome_from, *tools.lent)
    changes = make_changes(clock, machines, roles, schedule, chance("changes"))
    measured = measure(clock, running, chance("measurements"))
    rows: dict[str, list[tables.Row]] = {
        "lines.csv": [(str(n), f"Line {n}") for n in range(1, size.lines + 1)],
        "machines.csv": tables.machine_rows(machines),
        "dome_codes.csv": _dome_code_rows(clock, machines, alias),
        "readings.csv": tables.reading_rows(clock, machines, counters),
        "counter_events.csv": tables.counter_event_rows(clock, machines, counters),
        "defect_types.csv": defect_type_rows(),
        "defects.csv": write_entries(
            clock, machines, findings, coils, pallets, alias, chance("logbook")
        ),
        "tools.csv": tables.tool_rows(tools.tools),
        "tool_fits.csv": tables.fit_rows(clock, machines, tools.fits),
        "service_levels.csv": tables.level_rows(),
        "services.csv": tables.service_rows(clock, machines, services),
        "coils.csv": tables.coil_rows(coils),
        "coil_runs.csv": tables.coil_run_rows(clock, coils),
        "pallets.csv": tables.pallet_rows(clock, pallets),
        "changes.csv": tables.change_rows(clock, changes),
        "measurements.csv": tables.measurement_rows(clock, machines, measured, chance("ids")),
    }
    return SimulatedPlant(
        size=size,
        seed=seed,
        clock=clock,
        machines=machines,
        running=running,
        services=services,
        tools=tools,
        counters=counters,
        findings=findings,
        faults=faults,
        fault_windows=tuple(windows),
        plant_toml=tables.plant_toml(clock),
        tables=tuple(tables.table(name, own) for name, own in rows.items()),
    )


def _dome_code_rows(
    clock: PlantClock, machines: list[Bodymaker], alias: tuple[int, int, float, float] | None
) -> list[tables.Row]:
    if alias is None:
        return []
    machine, number_of, start, end = alias
    bearer = machines[machine]
    since, until = clock.utc_text(np.array([start, end]))
    return [(machines[number_of].code, str(bearer.line), str(bearer.number), since, until)]


def _faults(
    clock: PlantClock,
    machines: list[Bodymaker],
    roles: Roles,
    schedule: FaultSchedule,
    tools: ToolHistory,
    coils: LineCoils,
    coil: int,
) -> tuple[tuple[PlantedFault, ...], list[FaultWindow]]:
    stays = [(f.machine, f.fitted, f.removed) for f in tools.fits if f.tool is tools.chipped]
    ring = ring_windows(stays, clock.seconds)
    ends = [*coils.starts[1:].tolist(), float(clock.seconds)]
    metal = coil_windows(machines, coils.line, float(coils.starts[coil]), ends[coil])
    pressure = pressure_windows(schedule, roles)
    target = machines[roles.pressure].code
    lowered_at = clock.utc_text(np.array([schedule.pressure_lowered]))[0]
    faults = (
        tell(
            "tool",
            tools.chipped.serial,
            "A chipped ring scores cans in every machine it is fitted in; it is still in use.",
            ring,
            clock,
            machines,
        ),
        tell(
            "coil",
            coils.coils[coil],
            "Inclusions in one coil make pinholes on all bodymakers of its line.",
            metal,
            clock,
            machines,
        ),
        tell(
            "change",
            f"{PRESSURE_KIND} @ {target} @ {lowered_at}",
            "Too little redraw hold-down pleats cans until the old setting is restored.",
            pressure,
            clock,
            machines,
        ),
    )
    return faults, [*ring, *metal, *pressure]
