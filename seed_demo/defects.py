"""Logged entries: what the machines made wrong, where and when it was seen, who wrote it down."""

from dataclasses import dataclass

import numpy as np

from seed_demo.clock import DAY_SECONDS, FloatArray, IntArray, PlantClock
from seed_demo.faults import RING_DEFECT, FaultWindow
from seed_demo.machines import TRANSIT_MINUTES
from seed_demo.running import Running
from seed_demo.vocabulary import CODES, LOGGED, SAMPLE_CANS, SAMPLED

CREW_REPORTING = {"A": 1.00, "B": 1.12, "C": 0.90, "D": 1.02}
SHIFT_REPORTING = {"day": 1.04, "night": 0.94}
TEAR_OFF = CODES.index("wall-tear-off")
LOGGED_LATER = 0.28
MISREAD_BLANK, MISREAD_PART, MISREAD_STYLE = 0.006, 0.022, 0.05


@dataclass(frozen=True)
class Findings:
    """All entries, one element each, in order of being seen; seconds since the start.

    `inspected` is 0 for a finding in running production; `occurrences` 0 means left blank.
    `made` is the truth; whether it is written down is decided when the file is made.
    """

    machine: IntArray
    defect: IntArray
    made: IntArray
    seen: IntArray
    logged: IntArray
    station: IntArray
    cans: IntArray
    occurrences: IntArray
    inspected: IntArray

    def __len__(self) -> int:
        return len(self.seen)


def machine_factors(
    machines: int, windows: list[FaultWindow], rng: np.random.Generator
) -> FloatArray:
    """Return each machine's own rate over the plant's, per defect (machines x defects).

    A machine with a planted fault is an average one for that defect, so that only the fault
    makes it stand out.
    """
    shapes = np.array([logged.shape for logged in LOGGED])
    factors = rng.gamma(shapes, 1 / shapes, (machines, len(LOGGED)))
    for window in windows:
        factors[window.machine, CODES.index(window.defect)] = 1.0
    return factors


def find_defects(
    clock: PlantClock,
    running: Running,
    windows: list[FaultWindow],
    rng: np.random.Generator,
) -> Findings:
    """Return all entries of the history, in production and from samples."""
    factors = machine_factors(len(running.strokes), windows, rng)
    machine, defect, made = _happenings(clock, running, factors, windows, rng)
    count = len(made)
    chances = np.cumsum([logged.found for logged in LOGGED], axis=1)[defect]
    station = (rng.random(count)[:, None] > chances[:, :-1]).sum(axis=1)
    seen = made + _delay(station, rng)
    cans, occurrences = _cans(defect, rng)
    samples = _samples(clock, running, factors, windows, rng)
    late = rng.random(count + len(samples)) < LOGGED_LATER
    later = np.where(late, rng.gamma(1.2, 1800, len(late)) + 30, 0).astype(np.int64)
    all_seen = np.concatenate([seen, samples.seen])
    logged = all_seen + later
    parts = Findings(
        machine=np.concatenate([machine, samples.machine]),
        defect=np.concatenate([defect, samples.defect]),
        made=np.concatenate([made, samples.made]),
        seen=all_seen,
        logged=logged,
        station=np.concatenate([station, samples.station]),
        cans=np.concatenate([cans, samples.cans]),
        occurrences=np.concatenate([occurrences, samples.occurrences]),
        inspected=np.concatenate([np.zeros(count, dtype=np.int64), samples.inspected]),
    )
    order = np.lexsort((parts.defect, parts.machine, parts.seen))
    order = order[logged[order] < clock.seconds]
    return _pick(parts, order)


def found_later(
    machine: IntArray, defect: IntArray, made: IntArray, rng: np.random.Generator
) -> Findings:
    """Return entries in production of what was made wrong: where, when and by how many cans."""
    count = len(made)
    chances = np.cumsum([logged.found for logged in LOGGED], axis=1)[defect]
    station = (rng.random(count)[:, None] > chances[:, :-1]).sum(axis=1)
    seen = made + _delay(station, rng)
    cans, occurrences = _cans(defect, rng)
    late = rng.random(count) < LOGGED_LATER
    later = np.where(late, rng.gamma(1.2, 1800, count) + 30, 0).astype(np.int64)
    nothing = np.zeros(count, dtype=np.int64)
    return Findings(machine, defect, made, seen, seen + later, station, cans, occurrences, nothing)


def _pick(findings: Findings, rows: IntArray) -> Findings:
    return Findings(**{name: column[rows] for name, column in vars(findings).items()})


def _happenings(
    clock: PlantClock,
    running: Running,
    factors: FloatArray,
    windows: list[FaultWindow],
    rng: np.random.Generator,
) -> tuple[IntArray, IntArray, IntArray]:
    """Return machine, defect and instant of everything that was made wrong and will be logged.

    A Poisson process in strokes, thinned or thickened by how diligently each crew and shift
    reports; a planted fault adds its own process on top.
    """
    shift = clock.shift_index(running.ends[:-1])
    diligence = np.array(
        [
            CREW_REPORTING[crew] * SHIFT_REPORTING[name]
            for crew, name in zip(clock.shift_crews, clock.shift_names, strict=True)
        ]
    )[shift]
    rates = np.array([logged.rate_per_million for logged in LOGGED]) / 1e6
    machines, defects, times = [], [], []
    for machine in range(len(running.strokes)):
        exposure = np.concatenate([[0.0], np.cumsum(running.strokes[machine] * diligence)])
        sources = [
            (d, 0.0, exposure[-1], rates[d] * factors[machine, d]) for d in range(len(rates))
        ]
        for window in windows:
            if window.machine == machine:
                number = CODES.index(window.defect)
                low, high = np.interp([window.start, window.end], running.ends, exposure)
                extra = rates[number] * factors[machine, number] * (window.ratio - 1)
                sources.append((number, low, high, extra))
        for number, low, high, rate in sources:
            count = rng.poisson(rate * (high - low))
            at = np.interp(rng.uniform(low, high, count), exposure, running.ends)
            machines.append(np.full(count, machine))
            defects.append(np.full(count, number))
            times.append(at.astype(np.int64))
    return np.concatenate(machines), np.concatenate(defects), np.concatenate(times)


def _delay(station: IntArray, rng: np.random.Generator) -> IntArray:
    """Return the seconds from making to seeing at each station."""
    count = len(station)
    low, high = (minutes * 60 for minutes in TRANSIT_MINUTES)
    transit = low + (high - low) * rng.beta(2.0, 4.0, count)
    at_machine = 20 + np.minimum(rng.exponential(260, count), 1500)
    share = np.array([0.0, 0.70, 0.78, 1.0])[station]
    return np.where(station == 0, at_machine, transit * share).astype(np.int64)


def _cans(defect: IntArray, rng: np.random.Generator) -> tuple[IntArray, IntArray]:
    """Return cans and occurrences: a tear-off is one happening and purges many cans."""
    count = len(defect)
    cans = np.where(rng.random(count) < 0.84, 1, 1 + rng.geometric(0.45, count))
    purged = np.clip(np.exp(rng.normal(4.4, 0.45, count)), 12, 400).astype(np.int64)
    cans = np.where(defect == TEAR_OFF, purged, cans)
    one_cause = (defect == TEAR_OFF) | ((cans > 1) & (rng.random(count) < 0.8))
    return cans, np.where(one_cause, 1, 0)


def _samples(
    clock: PlantClock,
    running: Running,
    factors: FloatArray,
    windows: list[FaultWindow],
    rng: np.random.Generator,
) -> Findings:
    """Return the daily samples of every running machine, one entry per defect looked for."""
    days = clock.seconds // DAY_SECONDS
    parts: list[tuple[IntArray, ...]] = []
    for machine in range(len(running.strokes)):
        at = (np.arange(days) * DAY_SECONDS + rng.uniform(7200, 30_000, days)).astype(np.int64)
        at = at[running.made(machine, at) - running.made(machine, at - 600) > 1000]
        for code, share in SAMPLED.items():
            number = CODES.index(code)
            bad = np.full(len(at), share * factors[machine, number])
            for window in windows:
                if (window.machine, window.defect) == (machine, code) and code == RING_DEFECT:
                    bad[(at >= window.start) & (at < window.end)] *= window.ratio
            cans = rng.binomial(SAMPLE_CANS, np.minimum(bad, 0.5))
            parts.append((np.full(len(at), machine), np.full(len(at), number), at, cans))
    machines, defects, ats, all_cans = (np.concatenate(p) for p in zip(*parts, strict=True))
    zeros = np.zeros(len(ats), dtype=np.int64)
    return Findings(
        machine=machines,
        defect=defects,
        made=ats,
        seen=ats,
        logged=ats,
        station=zeros,
        cans=all_cans,
        occurrences=zeros,
        inspected=np.full(len(ats), SAMPLE_CANS),
    )
