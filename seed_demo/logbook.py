"""How findings are written down: codes as read, what is left blank, marks, notes and names."""

from dataclasses import dataclass

import numpy as np

from seed_demo.chance import entry_ids
from seed_demo.clock import IntArray, PlantClock
from seed_demo.coils import LineCoils
from seed_demo.defects import MISREAD_BLANK, MISREAD_PART, MISREAD_STYLE, Findings
from seed_demo.machines import Bodymaker
from seed_demo.pallets import LinePallets
from seed_demo.vocabulary import CODES, STATIONS

NAMES = {
    "A": ("Ines", "Bo", "Ruth", "Tomas"),
    "B": ("Lena", "Sami", "Joan", "Marek"),
    "C": ("Otis", "Dina", "Karl", "Priya"),
    "D": ("Yara", "Finn", "Greta", "Luis"),
}
NOTES = (
    "same clock position on all of them",
    "second one this shift",
    "stopped and cleaned",
    "told the fitter",
    "only at start-up",
    "kept ten cans in order",
)
INK_DOTS = ("blue", "red", "green", "black", "yellow")
COIL_KNOWN, MADE_KNOWN, NOTED, MARKED = 0.10, 0.12, 0.02, 0.05
MANDRELS, POCKETS = 24, 12


@dataclass(frozen=True)
class Alias:
    """A machine whose cans bore the number of another one from `start` to `end` (seconds)."""

    machine: int
    number_of: int
    start: float
    end: float


def write_entries(
    clock: PlantClock,
    machines: list[Bodymaker],
    findings: Findings,
    coils: list[LineCoils],
    pallets: list[LinePallets],
    alias: Alias | None,
    rng: np.random.Generator,
) -> list[tuple[str, ...]]:
    """Return the rows of defects.csv, in order of being seen."""
    count = len(findings)
    blank = np.full(count, "", dtype=object)
    seen, logged = clock.local_text(findings.seen), clock.local_text(findings.logged)
    made = np.array(clock.utc_text(findings.made), dtype=object)
    sample = findings.inspected > 0
    in_production = (findings.station == 0) & ~sample
    made_known = in_production & (rng.random(count) < MADE_KNOWN)
    coil_known = (findings.station == 0) & (rng.random(count) < COIL_KNOWN)
    at_once = (findings.logged == findings.seen).tolist()
    ids = entry_ids(findings.logged + int(clock.start_at.timestamp()), rng)
    columns = (
        ids,
        seen,
        _codes(machines, findings, alias, rng),
        [CODES[d] for d in findings.defect.tolist()],
        [str(c) for c in findings.cans.tolist()],
        [str(c or "") for c in findings.occurrences.tolist()],
        [str(c or "") for c in findings.inspected.tolist()],
        [STATIONS[s] for s in findings.station.tolist()],
        np.where(made_known, made, blank).tolist(),
        np.where(coil_known, _coils(machines, findings, coils), blank).tolist(),
        _pallets(machines, findings, pallets),
        _marks(findings, rng),
        _notes(sample, rng),
        _people(clock, findings.logged, rng),
        ["" if same else text for same, text in zip(at_once, logged, strict=True)],
    )
    return list(zip(*columns, strict=True))


def _codes(
    machines: list[Bodymaker],
    findings: Findings,
    alias: Alias | None,
    rng: np.random.Generator,
) -> list[str]:
    """Return the codes as read: mostly plainly, some in part, some in another spelling."""
    owner = findings.machine.copy()
    if alias:
        lent = (findings.made >= alias.start) & (findings.made < alias.end)
        owner[lent & (owner == alias.machine)] = alias.number_of
    codes = np.array([m.code for m in machines], dtype=object)[owner]
    chance = rng.random(len(codes))
    chance[findings.inspected > 0] = 1.0  # samples are taken at the machine itself
    codes[chance < MISREAD_BLANK] = ""
    limit = MISREAD_BLANK + MISREAD_PART
    for row in np.flatnonzero((chance >= MISREAD_BLANK) & (chance < limit)):
        codes[row] = _part_read(codes[row], rng.random())
    for row in np.flatnonzero((chance >= limit) & (chance < limit + MISREAD_STYLE)):
        line, number = codes[row].split("-")
        codes[row] = rng.choice(
            [f"{line:0>2}/{number:0>2}", f"{line} {number}", f"{line}.{number}"]
        )
    return [str(code) for code in codes]


def _part_read(code: str, chance: float) -> str:
    line, number = code.split("-")
    if chance < 0.55:
        return f"{line}-{number[:-1]}?"
    if chance < 0.92:
        return f"{line[:-1]}?-{number}"
    return "?-?"


def _coils(machines: list[Bodymaker], findings: Findings, coils: list[LineCoils]) -> np.ndarray:
    lines = np.array([m.line for m in machines])[findings.machine]
    names = np.full(len(findings), "", dtype=object)
    for own in coils:
        rows = np.flatnonzero(lines == own.line)
        indices = own.running(findings.made[rows].astype(np.float64))
        names[rows] = np.array(own.coils, dtype=object)[indices]
    return names


def _pallets(
    machines: list[Bodymaker], findings: Findings, pallets: list[LinePallets]
) -> list[str]:
    """Return the pallet being filled, for what was found at the palletiser."""
    lines = np.array([m.line for m in machines])[findings.machine]
    names = np.full(len(findings), "", dtype=object)
    for own in pallets:
        if not own.pallets:
            continue
        at_end = findings.station == STATIONS.index("palletiser")
        rows = np.flatnonzero((lines == own.line) & at_end)
        index = np.searchsorted(own.starts, findings.seen[rows], side="right") - 1
        within = (index >= 0) & (findings.seen[rows] <= own.ends[np.maximum(index, 0)])
        names[rows[within]] = np.array(own.pallets, dtype=object)[index[within]]
    return [str(name) for name in names]


def _marks(findings: Findings, rng: np.random.Generator) -> list[str]:
    marks = [""] * len(findings)
    later = (findings.station > 0) & (rng.random(len(findings)) < MARKED)
    for row in np.flatnonzero(later).tolist():
        kind = rng.integers(3)
        if kind == 0:
            marks[row] = f"mandrel {rng.integers(1, MANDRELS + 1)}"
        elif kind == 1:
            marks[row] = f"pocket {rng.integers(1, POCKETS + 1)}"
        else:
            marks[row] = f"ink dot {INK_DOTS[rng.integers(len(INK_DOTS))]}"
    return marks


def _notes(sample: np.ndarray, rng: np.random.Generator) -> list[str]:
    notes = ["sample" if taken else "" for taken in sample.tolist()]
    for row in np.flatnonzero(~sample & (rng.random(len(sample)) < NOTED)).tolist():
        notes[row] = NOTES[rng.integers(len(NOTES))]
    return notes


def _people(clock: PlantClock, logged: IntArray, rng: np.random.Generator) -> list[str]:
    """Return who wrote each entry: a person or just the crew of that shift; seldom nobody."""
    crews = [clock.shift_crews[s] for s in clock.shift_index(logged).tolist()]
    chance = rng.random(len(crews)).tolist()
    person = rng.integers(0, 4, len(crews)).tolist()
    return [
        "" if c < 0.08 else f"crew {crew}" if c < 0.35 else NAMES[crew][p]
        for crew, c, p in zip(crews, chance, person, strict=True)
    ]
