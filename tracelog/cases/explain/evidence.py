"""What explanations rest on, as arrays: strokes, entries, and what was in force when.

Pure. Instants are seconds since 1970, UTC.
"""

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from tracelog.stats.inputs import BoolArray, FloatArray, IntArray


class CauseKind(StrEnum):
    """What may lie behind a rate."""

    MACHINE = "machine"
    TOOL = "tool"
    WEAR = "wear"
    BATCH = "batch"
    COIL = "coil"
    CREW = "crew"
    SHIFT = "shift"
    HOUR = "hour"
    LINE = "line"
    CHANGE = "change"
    SERVICE = "service"
    STATION = "station"
    MARK = "mark"
    PLANT = "plant"


@dataclass(frozen=True)
class Stays:
    """Where and when named things were in force: one element for each stay on one machine.

    Attributes:
        names: what is told apart.
        places: of each name, what else there is to say of it: a tool's position.
        owner: index into `names`.
        machine: index of the machine.
        start, end: seconds; a stay that is not over ends with the period.
        worn: strokes since the last work when the stay began; tools only.
    """

    names: tuple[str, ...] = ()
    places: tuple[str | None, ...] = ()
    owner: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.intp))
    machine: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.intp))
    start: FloatArray = field(default_factory=lambda: np.zeros(0))
    end: FloatArray = field(default_factory=lambda: np.zeros(0))
    worn: FloatArray = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True)
class Labels:
    """Which crew, shift or hours each piece of time belongs to; -1: none."""

    names: tuple[str, ...]
    of: IntArray


@dataclass(frozen=True)
class Marks:
    """Marks noted on entries of the kind asked about, told apart by line.

    Attributes:
        names: as marks are told apart, such as `mandrel 12`.
        lines: index of each one's line.
        parts: what it is one of, such as `mandrel`.
        counts: how many of these the line has; 0: not known.
        of: (n,) index of each entry's mark; -1: none noted, or the machine is not settled.
    """

    names: tuple[str, ...] = ()
    lines: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.intp))
    parts: tuple[str, ...] = ()
    counts: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.intp))
    of: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.intp))


@dataclass(frozen=True)
class Entries:
    """Entries of the kind of defect asked about, found in running production, in any order.

    `machine` is -1 where it is not settled. `at` is when the can was made, as far as is known;
    `counted` are occurrences. `station` is an index into the evidence's stations, -1: not said.
    """

    machine: IntArray
    at: FloatArray
    counted: FloatArray
    cans: FloatArray
    station: IntArray

    @property
    def weight(self) -> FloatArray:
        """What each entry counts for as evidence: the root of its occurrences.

        Nine cans in one entry were found in one look, and say less than nine entries.
        """
        return np.sqrt(self.counted)

    def chosen(self, rows: BoolArray) -> "Entries":
        """Some of the entries."""
        return Entries(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class Evidence:
    """All that is weighed.

    Attributes:
        machines: their texts, such as 3-7; m of them.
        line_of: of each machine, index into `lines`.
        lines: their texts.
        edges: (k + 1,) seconds, rising: of pieces of time within which strokes are made evenly;
            `start` is one of them, `edges[-1]` is the end.
        start: where the period asked about begins; what lies before tells what is usual.
        strokes: (m, k).
        day: (k,) index of the plant's day of each piece.
        crews, shifts, hours: what each piece belongs to.
        others: (k,) occurrences of all other kinds of defect: how diligently it was reported.
        entries, stations: of the kind asked about.
        tools, coils, changes, services: as stays; `coils` has one for each machine of the line.
        marks: noted on the entries.
    """

    machines: tuple[str, ...]
    line_of: IntArray
    lines: tuple[str, ...]
    edges: FloatArray
    start: float
    strokes: FloatArray
    day: IntArray
    crews: Labels
    shifts: Labels
    hours: Labels
    others: FloatArray
    entries: Entries
    stations: tuple[str, ...]
    tools: Stays
    coils: Stays
    changes: Stays
    services: Stays
    marks: Marks = field(default_factory=Marks)

    @property
    def end(self) -> float:
        """End of the period."""
        return float(self.edges[-1])

    @property
    def piece_of_start(self) -> int:
        """The piece of time with which the period asked about begins."""
        return int(np.searchsorted(self.edges, self.start))


def cumulated(pieces: FloatArray) -> FloatArray:
    """Sums up to each edge along the last axis, from 0."""
    shape = (*pieces.shape[:-1], pieces.shape[-1] + 1)
    found = np.zeros(shape)
    np.cumsum(pieces, axis=-1, out=found[..., 1:])
    return found


def between(edges: FloatArray, sums: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """What lies between instants, of sums at edges."""
    found: FloatArray = np.interp(end, edges, sums) - np.interp(start, edges, sums)
    return found
