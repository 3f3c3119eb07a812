"""Simulated plants as the arrays that explanations rest on, without a database."""

import numpy as np

from seed_demo.clock import DAY_SECONDS
from seed_demo.machines import TRANSIT_MINUTES
from seed_demo.planting import PlantedCause
from seed_demo.services import LEVELS
from seed_demo.simulate import SimulatedPlant
from seed_demo.tools import TOOL_TYPES
from seed_demo.vocabulary import CODES, STATIONS
from tracelog.cases.explain.evidence import Entries, Evidence, Labels, Stays
from tracelog.cases.explain.stays import made_before, stays_until_next, worn_before
from tracelog.stats.inputs import FloatArray

_HOUR = 3600


def evidence_of(
    plant: SimulatedPlant, truth: PlantedCause, days: int, unsettled: float = 0.028, seed: int = 0
) -> Evidence:
    """The evidence about the kind of defect of a planted cause, in the plant's last days."""
    clock = plant.clock
    zero = clock.start_at.timestamp()
    first = float(clock.seconds // _HOUR * _HOUR - days * DAY_SECONDS)
    edges = np.unique(
        np.r_[np.arange(0, clock.seconds, _HOUR), clock.shift_starts, first, clock.seconds]
    ).astype(np.float64)
    edges = edges[(edges >= 0) & (edges <= clock.seconds)]
    begins = edges[:-1]
    strokes = np.stack(
        [np.diff(plant.running.made(place, edges)) for place in range(len(plant.machines))]
    )
    shift = clock.shift_index(begins)
    local = begins + zero + clock.offsets[(begins // _HOUR).astype(int)]
    # The day of a shift is the one on which it began.
    day = np.unique(shift // 2, return_inverse=True)[1]
    lines = tuple(str(number + 1) for number in range(plant.size.lines))
    findings = plant.findings
    defect = CODES.index(truth.defect)
    others = (findings.defect != defect) & (findings.inspected == 0)
    return Evidence(
        machines=tuple(machine.code for machine in plant.machines),
        line_of=np.array([machine.line - 1 for machine in plant.machines]),
        lines=lines,
        edges=edges + zero,
        start=first + zero,
        strokes=strokes,
        day=day,
        crews=_labels(clock.shift_crews, shift),
        shifts=_labels(clock.shift_names, shift),
        hours=Labels(
            tuple(f"{4 * band:02d}-{4 * band + 4:02d}" for band in range(6)),
            (local // _HOUR % 24 // 4).astype(np.intp),
        ),
        others=np.histogram(findings.made[others], edges)[0].astype(np.float64),
        entries=_entries(plant, defect, zero, unsettled, seed),
        stations=STATIONS,
        tools=_tools(plant, edges, strokes, zero),
        coils=_coils(plant, zero),
        changes=_changes(plant, zero),
        services=_services(plant, zero),
    )


def _labels(names: tuple[str, ...], shift: FloatArray) -> Labels:
    words = tuple(sorted(set(names)))
    return Labels(words, np.array([words.index(name) for name in names])[shift])


def _entries(
    plant: SimulatedPlant, defect: int, zero: float, unsettled: float, seed: int
) -> Entries:
    findings = plant.findings
    rows = (findings.defect == defect) & (findings.inspected == 0)
    machine = findings.machine[rows].copy()
    machine[np.random.default_rng([seed, 7]).random(len(machine)) < unsettled] = -1
    station = findings.station[rows]
    before = np.array([made_before(name, TRANSIT_MINUTES) for name in STATIONS])[station]
    happened = np.where(findings.occurrences[rows] > 0, findings.occurrences[rows], 0)
    cans = findings.cans[rows].astype(np.float64)
    counted = np.where(happened > 0, happened, cans)
    return Entries(machine, findings.seen[rows] - before + zero, counted, cans, station)


def _tools(plant: SimulatedPlant, edges: FloatArray, strokes: FloatArray, zero: float) -> Stays:
    fits = sorted(plant.tools.fits, key=lambda fit: (fit.fitted, fit.machine, fit.kind))
    serials = sorted({fit.tool.serial for fit in fits})
    place = {serial: number for number, serial in enumerate(serials)}
    position = {fit.tool.serial: TOOL_TYPES[fit.kind].tool_type for fit in fits}
    end = float(plant.clock.seconds)
    stays = Stays(
        tuple(serials),
        tuple(position[serial] for serial in serials),
        np.array([place[fit.tool.serial] for fit in fits]),
        np.array([fit.machine for fit in fits]),
        np.array([fit.fitted for fit in fits]) + zero,
        np.array([end if fit.removed is None else fit.removed for fit in fits]) + zero,
    )
    works = [(place[work.serial], work.at + zero) for work in plant.tools.works]
    return worn_before(stays, works, edges + zero, strokes)


def _coils(plant: SimulatedPlant, zero: float) -> Stays:
    names = sorted({coil for own in plant.coils for coil in own.coils})
    place = {name: number for number, name in enumerate(names)}
    rows = []
    for own in plant.coils:
        ends = [*own.starts[1:].tolist(), float(plant.clock.seconds)]
        for coil, start, end in zip(own.coils, own.starts.tolist(), ends, strict=True):
            rows += [
                (place[coil], machine, start + zero, end + zero)
                for machine, one in enumerate(plant.machines)
                if one.line == own.line
            ]
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    return Stays(tuple(names), (None,) * len(names), *columns)


def _changes(plant: SimulatedPlant, zero: float) -> Stays:
    rows = []
    for change in plant.changes:
        own = [
            place
            for place, machine in enumerate(plant.machines)
            if machine.line == change.line and change.bodymaker in (None, machine.number)
        ]
        where = (
            str(change.line) if change.bodymaker is None else f"{change.line}-{change.bodymaker}"
        )
        at = plant.clock.utc_text(np.array([change.at]))[0]
        key = (change.kind, where)
        rows.append((key, f"{change.kind} @ {where} @ {at}", own, change.at + zero))
    return stays_until_next(rows, plant.clock.seconds + zero)


def _services(plant: SimulatedPlant, zero: float) -> Stays:
    rows = []
    for service in plant.services:
        code = plant.machines[service.machine].code
        at = plant.clock.utc_text(np.array([service.end]))[0]
        name = f"{LEVELS[service.level].service} @ {code} @ {at}"
        rows.append(((code,), name, [service.machine], service.end + zero))
    return stays_until_next(rows, plant.clock.seconds + zero)
