"""Simulate a plant of a given size: run it, serve it, wear its tools, log its defects."""

from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np

from seed_demo import tables
from seed_demo.chance import stream
from seed_demo.changes import Change, make_changes
from seed_demo.clock import IntArray, PlantClock
from seed_demo.coils import LineCoils, bad_coil, run_coils
from seed_demo.counters import Counters, read_counters
from seed_demo.defects import Findings, find_defects
from seed_demo.faults import (
    COIL_SENTENCE,
    PRESSURE_KIND,
    PRESSURE_SENTENCE,
    RING_SENTENCE,
    FaultSchedule,
    FaultWindow,
    PlantedFault,
    coil_windows,
    pressure_windows,
    ring_windows,
    schedule_faults,
    tell,
)
from seed_demo.logbook import Alias, write_entries
from seed_demo.machines import Bodymaker, Roles, build_bodymakers, choose_roles
from seed_demo.measurements import Measurements, measure
from seed_demo.pallets import LinePallets, fill_pallets
from seed_demo.planned import PlannedPeriod, plan_periods
from seed_demo.running import Running, run_plant
from seed_demo.services import Service, rebuild_window, serve
from seed_demo.sizes import PlantSize
from seed_demo.tools import ToolHistory, run_tools
from seed_demo.vocabulary import defect_type_rows
from seed_demo.workshop import Workshop


@dataclass(frozen=True)
class SimulatedPlant:
    """A simulated plant: the truth about it, and what its files say.

    `running` knows the true strokes; `faults` tells the planted faults; `alias` is the doming
    tool that was fitted in another machine. The files are `plant_toml` and `tables`.
    """

    size: PlantSize
    seed: int
    clock: PlantClock
    machines: list[Bodymaker]
    running: Running
    services: list[Service]
    tools: ToolHistory
    counters: Counters
    coils: list[LineCoils]
    pallets: list[LinePallets]
    findings: Findings
    changes: list[Change]
    planned: list[PlannedPeriod]
    measured: Measurements
    alias: Alias | None
    faults: tuple[PlantedFault, ...]
    fault_windows: tuple[FaultWindow, ...]

    @property
    def unaccounted_strokes(self) -> IntArray:
        """True strokes per machine that nobody can know from readings and declared events."""
        return self.counters.unaccounted

    @property
    def plant_toml(self) -> str:
        """The text of plant.toml."""
        return tables.plant_toml(self.clock)

    @cached_property
    def tables(self) -> tuple[tables.Table, ...]:
        """All csv files, in the order in which an import needs them."""
        rows = {
            **_standing_rows(self),
            **_counter_and_defect_rows(self),
            **_material_rows(self),
        }
        return tuple(tables.table(name, rows[name]) for name in tables.HEADERS)


def simulate(size: PlantSize, seed: int) -> SimulatedPlant:
    """Return the plant of this size for this seed: the same pair always gives the same plant."""
    chance = partial(stream, seed)
    clock = PlantClock.of(size)
    machines = build_bodymakers(size, chance("machines"))
    roles, schedule = choose_roles(size), schedule_faults(clock)
    running = run_plant(clock, machines, chance("running"))
    services = serve(clock, machines, running, roles, chance("services"))
    workshop = Workshop(clock, chance("workshop"))
    rebuild = rebuild_window(clock)
    tools = run_tools(running, services, roles, schedule, rebuild, chance("tools"), workshop)
    coils = run_coils(machines, running, chance("coils"))
    own = next(own for own in coils if own.line == roles.coil_line)
    bad = own, bad_coil(own, schedule.coil_near)
    faults, windows = _faults(clock, machines, roles, schedule, tools, bad)
    days = size.pallet_days
    return SimulatedPlant(
        size=size,
        seed=seed,
        clock=clock,
        machines=machines,
        running=running,
        services=services,
        tools=tools,
        counters=read_counters(clock, machines, running, services, chance("counters")),
        coils=coils,
        pallets=fill_pallets(clock, machines, running, days, bad, chance("pallets")),
        findings=find_defects(clock, running, windows, chance("defects")),
        changes=make_changes(clock, machines, roles, schedule, chance("changes")),
        planned=plan_periods(clock, machines, roles),
        measured=measure(clock, running, chance("measurements")),
        alias=_alias(roles, tools),
        faults=faults,
        fault_windows=tuple(windows),
    )


def _alias(roles: Roles, tools: ToolHistory) -> Alias | None:
    if tools.lent is None or roles.dome_from is None or roles.dome_to is None:
        return None
    return Alias(roles.dome_to, roles.dome_from, *tools.lent)


def _standing_rows(plant: SimulatedPlant) -> dict[str, list[tables.Row]]:
    clock, machines = plant.clock, plant.machines
    return {
        "lines.csv": [(str(n), f"Line {n}") for n in range(1, plant.size.lines + 1)],
        "machines.csv": tables.machine_rows(machines),
        "dome_codes.csv": tables.dome_code_rows(clock, machines, plant.alias),
        "station_parts.csv": tables.station_part_rows(plant.size.lines),
        "defect_types.csv": defect_type_rows(),
        "tools.csv": tables.tool_rows(plant.tools.tools),
        "tool_fits.csv": tables.fit_rows(clock, machines, plant.tools.fits),
        "tool_works.csv": tables.work_rows(clock, plant.tools.works),
        "service_levels.csv": tables.level_rows(),
        "services.csv": tables.service_rows(clock, machines, plant.services),
    }


def _counter_and_defect_rows(plant: SimulatedPlant) -> dict[str, list[tables.Row]]:
    clock, machines = plant.clock, plant.machines
    return {
        "readings.csv": tables.reading_rows(clock, machines, plant.counters),
        "counter_events.csv": tables.counter_event_rows(clock, machines, plant.counters),
        "defects.csv": write_entries(
            clock,
            machines,
            plant.findings,
            plant.coils,
            plant.pallets,
            plant.alias,
            stream(plant.seed, "logbook"),
        ),
        "measurements.csv": tables.measurement_rows(
            clock, machines, plant.measured, stream(plant.seed, "ids")
        ),
    }


def _material_rows(plant: SimulatedPlant) -> dict[str, list[tables.Row]]:
    return {
        "coils.csv": tables.coil_rows(plant.coils),
        "coil_runs.csv": tables.coil_run_rows(plant.clock, plant.coils),
        "pallets.csv": tables.pallet_rows(plant.clock, plant.pallets),
        "changes.csv": tables.change_rows(plant.clock, plant.changes),
        "planned_periods.csv": tables.planned_rows(plant.clock, plant.planned),
    }


def _faults(
    clock: PlantClock,
    machines: list[Bodymaker],
    roles: Roles,
    schedule: FaultSchedule,
    tools: ToolHistory,
    bad: tuple[LineCoils, int],
) -> tuple[tuple[PlantedFault, ...], list[FaultWindow]]:
    stays = [(f.machine, f.fitted, f.removed) for f in tools.fits if f.tool is tools.chipped]
    ring = ring_windows(stays, clock.seconds)
    coils, coil = bad
    ends = [*coils.starts[1:].tolist(), float(clock.seconds)]
    metal = coil_windows(machines, coils.line, float(coils.starts[coil]), ends[coil])
    pressure = pressure_windows(schedule, roles)
    target = machines[roles.pressure].code
    lowered_at = clock.utc_text(np.array([schedule.pressure_lowered]))[0]
    change = f"{PRESSURE_KIND} @ {target} @ {lowered_at}"
    say = partial(tell, clock, machines)
    faults = (
        say("tool", tools.chipped.serial, RING_SENTENCE, ring),
        say("coil", coils.coils[coil], COIL_SENTENCE, metal),
        say("change", change, PRESSURE_SENTENCE, pressure),
    )
    return faults, [*ring, *metal, *pressure]
