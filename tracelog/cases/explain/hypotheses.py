"""Every cause that is weighed: sets of pieces of machine time in which the rate may be raised.

Pure. A cause acts in the whole period asked about, or from one of several instants on.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tracelog.cases.explain.evidence import CauseKind, Evidence, Labels, Stays
from tracelog.cases.explain.stays import batches
from tracelog.stats.inputs import BoolArray, FloatArray, IntArray

# So many instants from which a cause may act are tried, evenly over the period.
STARTS = 48
# Of machines, lines and the plant, of which there are few.
FINE_STARTS = 96
# The chance beforehand that there is a cause at all: whoever asks has mostly seen something.
# Common practice, no source.
ANY_CAUSE = 0.8
# Of a cause that could have begun at any time, without anything on record to begin it: the chance
# that it did, and did not act in the whole period. A tool or batch is mostly bad from the first
# stroke. With what is always there, a machine or a crew, a beginning within the period is likelier:
# what it always did is part of what is usual, and a period is begun before what was noticed.
# Common practice, no source.
BEGUN, BEGUN_STANDING = 0.25, 0.75
# Where a coil changes at the uncoiler, cups of the old one run on for up to ten minutes.
CUP_MINUTES = (0.0, 10.0)
# A change or service this long before the period may be behind what is found in it, in seconds.
SHORTLY_BEFORE = 2 * 86_400.0


@dataclass(frozen=True)
class Layer:
    """A part of everything that was made or found: that of a crew, a shift, hours or a station.

    `label` is which of the kind's labels; None: everything.
    """

    kind: CauseKind | None = None
    label: int | None = None


@dataclass(frozen=True)
class Cause:
    """Something that may lie behind a rate."""

    kind: CauseKind
    name: str
    place: str | None = None

    @property
    def group(self) -> str:
        """What shares the chance of its kind alike: positions of tools, kinds of change."""
        if self.kind is CauseKind.CHANGE:
            return self.name.partition(" @ ")[0]
        return self.place or ""

    @property
    def thing(self) -> tuple[CauseKind, str, str | None]:
        """What it is: a tool is the same tool whether it is bad or wears."""
        kind = CauseKind.TOOL if self.kind is CauseKind.WEAR else self.kind
        return kind, self.name, self.place


@dataclass(frozen=True)
class Stretches:
    """Stretches of machine time that belong to sets, one element each.

    `layer` is an index into the layers of the hypotheses.
    """

    owner: IntArray
    layer: IntArray
    machine: IntArray
    start: FloatArray
    end: FloatArray

    def chosen(self, rows: BoolArray) -> "Stretches":
        """Some of the stretches."""
        return Stretches(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class Hypotheses:
    """Sets, each of a cause and a beginning.

    Attributes:
        causes: all causes.
        cause_of: (v,) of each set.
        since: (v,) seconds; nan: the whole period, or as long as the thing was there.
        log_priors: (v,).
        family: (v,) which of the kinds that share the chance alike; the last is slow wear.
        layers: parts of what was made.
        stretches: of all sets, `owner` is the set.
        kinds: how many kinds of causes share the chance alike, slow wear among them.
    """

    causes: tuple[Cause, ...]
    cause_of: IntArray
    since: FloatArray
    log_priors: FloatArray
    family: IntArray
    layers: tuple[Layer, ...]
    stretches: Stretches
    kinds: int


@dataclass(frozen=True)
class _Family:
    """Causes of one kind with the stretches in which each could act."""

    causes: list[Cause]
    stretches: Stretches
    starts: int = 1
    begun: float = BEGUN
    own_starts: bool = False


def build(evidence: Evidence) -> Hypotheses:
    """Every set that is weighed, with its chance beforehand.

    All kinds of causes share the chance of any cause alike, and the members of a kind share its
    part alike; of one that could have begun at any time, a part is shared by its beginnings.
    """
    layers = [Layer()]
    families = [one for one in _families(evidence, layers) if len(one.stretches.owner)]
    causes: list[Cause] = []
    parts: list[tuple[IntArray, FloatArray, FloatArray, IntArray, Stretches]] = []
    sets = 0
    # Slow wear is weighed apart, as it has no pieces of one level, but takes its share.
    kinds = len(families) + 1
    for number, one in enumerate(families):
        of, since, priors, stretches = _sets_of(one, evidence)
        priors = priors + np.log(ANY_CAUSE / kinds * _parts(one.causes, np.unique(of)))[of]
        family = np.full(len(of), number, dtype=np.intp)
        parts.append((of + len(causes), since, priors, family, _moved(stretches, sets)))
        causes += one.causes
        sets += len(of)
    joined = [np.concatenate(column) for column in zip(*(p[:4] for p in parts), strict=True)]
    return Hypotheses(
        tuple(causes),
        joined[0],
        joined[1],
        joined[2],
        joined[3],
        tuple(layers),
        _joined(p[4] for p in parts),
        kinds,
    )


def _parts(causes: list[Cause], used: IntArray) -> FloatArray:
    """Part of its kind's chance of each cause: of its group (a position, a kind of change) first.

    Groups share alike, and so do the causes of each; those not in use have none.
    """
    groups = np.unique([one.group for one in causes], return_inverse=True)[1].ravel()
    members = np.bincount(groups[used], minlength=int(groups.max()) + 1)
    found = np.full(len(causes), 1e-300)
    found[used] = 1 / np.count_nonzero(members) / members[groups[used]]
    return found


def begun_at(hypotheses: Hypotheses, cause: int, instants: FloatArray) -> Hypotheses:
    """One cause alone, that begins at each of some instants."""
    whole = (hypotheses.cause_of == cause) & np.isnan(hypotheses.since)
    base = hypotheses.stretches.chosen(whole[hypotheses.stretches.owner])
    parts = []
    for number, since in enumerate(instants.tolist()):
        part = base.chosen(base.end > since)
        start = np.maximum(part.start, since)
        owner = np.full(len(start), number, dtype=np.intp)
        parts.append(Stretches(owner, part.layer, part.machine, start, part.end))
    sets = np.zeros(len(instants), dtype=np.intp)
    return Hypotheses(
        (hypotheses.causes[cause],),
        sets,
        instants,
        np.full(len(instants), -np.log(len(instants))),
        sets,
        hypotheses.layers,
        _joined(iter(parts)),
        hypotheses.kinds,
    )


def wear_priors(evidence: Evidence, hypotheses: Hypotheses, tools: IntArray) -> FloatArray:
    """Logarithm of the chance beforehand of slow wear of each of some tools."""
    kinds = hypotheses.kinds
    causes = [
        Cause(CauseKind.WEAR, name, place)
        for name, place in zip(evidence.tools.names, evidence.tools.places, strict=True)
    ]
    if not len(tools):
        return np.zeros(0)
    return np.asarray(np.log(ANY_CAUSE / kinds * _parts(causes, tools)[tools]))


def _joined(parts: Iterator[Stretches]) -> Stretches:
    listed = list(parts)
    return Stretches(
        *(
            np.concatenate([getattr(one, name) for one in listed])
            for name in Stretches.__dataclass_fields__
        )
    )


def _moved(stretches: Stretches, by: int) -> Stretches:
    return Stretches(
        stretches.owner + by,
        *(getattr(stretches, name) for name in ("layer", "machine", "start", "end")),
    )


def _families(evidence: Evidence, layers: list[Layer]) -> Iterator[_Family]:
    machines = np.arange(len(evidence.machines))
    yield _everywhere(evidence, CauseKind.MACHINE, evidence.machines, machines)
    lines = list(evidence.lines)
    if len(lines) > 1:
        yield _everywhere(evidence, CauseKind.LINE, lines, evidence.line_of)
    yield _everywhere(evidence, CauseKind.PLANT, ["plant"], machines * 0)
    yield _of_stays(evidence, CauseKind.TOOL, evidence.tools, starts=STARTS)
    yield _of_stays(evidence, CauseKind.BATCH, batches(evidence), starts=STARTS)
    yield _coils(evidence)
    for of_line in (True, False):
        yield _of_stays(
            evidence, CauseKind.CHANGE, _changes(evidence, of_line=of_line), own_starts=True
        )
    yield _of_stays(evidence, CauseKind.SERVICE, evidence.services, own_starts=True)
    for kind, labels in (
        (CauseKind.CREW, evidence.crews),
        (CauseKind.SHIFT, evidence.shifts),
        (CauseKind.HOUR, evidence.hours),
    ):
        if len(labels.names) > 1:
            yield _labelled(evidence, kind, labels, layers)
    if len(evidence.stations) > 1:
        known = Labels(evidence.stations, np.zeros(0, dtype=np.intp))
        yield _labelled(evidence, CauseKind.STATION, known, layers)
    if evidence.marks.names:
        yield _marked(evidence, layers)


def _everywhere(
    evidence: Evidence,
    kind: CauseKind,
    names: tuple[str, ...] | list[str],
    owner: IntArray,
) -> _Family:
    size = len(evidence.machines)
    whole = np.full(size, evidence.start), np.full(size, evidence.end)
    stretches = Stretches(
        owner.astype(np.intp), np.zeros(size, dtype=np.intp), np.arange(size), *whole
    )
    return _Family([Cause(kind, name) for name in names], stretches, FINE_STARTS, BEGUN_STANDING)


def _labelled(evidence: Evidence, kind: CauseKind, labels: Labels, layers: list[Layer]) -> _Family:
    first, machines = len(layers), len(evidence.machines)
    size = len(labels.names)
    layers += [Layer(kind, label) for label in range(size)]
    owner = np.repeat(np.arange(size), machines)
    stretches = Stretches(
        owner,
        owner + first,
        np.tile(np.arange(machines), size),
        np.full(len(owner), evidence.start),
        np.full(len(owner), evidence.end),
    )
    return _Family([Cause(kind, name) for name in labels.names], stretches, STARTS, BEGUN_STANDING)


def _marked(evidence: Evidence, layers: list[Layer]) -> _Family:
    """Each mark on the machines of its line."""
    marks, first = evidence.marks, len(layers)
    layers += [Layer(CauseKind.MARK, label) for label in range(len(marks.names))]
    owner, machine = np.nonzero(marks.lines[:, None] == evidence.line_of[None, :])
    whole = np.full(len(owner), evidence.start), np.full(len(owner), evidence.end)
    stretches = Stretches(owner, owner + first, machine, *whole)
    causes = [
        Cause(CauseKind.MARK, name, evidence.lines[line])
        for name, line in zip(marks.names, marks.lines.tolist(), strict=True)
    ]
    return _Family(causes, stretches, STARTS, BEGUN_STANDING)


def _of_stays(
    evidence: Evidence,
    kind: CauseKind,
    stays: Stays,
    *,
    starts: int = 1,
    own_starts: bool = False,
) -> _Family:
    start = np.maximum(stays.start, evidence.start)
    end = np.minimum(stays.end, evidence.end)
    inside = end > start
    if own_starts:
        inside &= stays.start >= evidence.start - SHORTLY_BEFORE
    stretches = Stretches(
        stays.owner[inside],
        np.zeros(int(inside.sum()), dtype=np.intp),
        stays.machine[inside],
        start[inside],
        end[inside],
    )
    causes = [
        Cause(kind, name, place) for name, place in zip(stays.names, stays.places, strict=True)
    ]
    return _Family(causes, stretches, starts, own_starts=own_starts)


def _changes(evidence: Evidence, *, of_line: bool) -> Stays:
    """Changes of whole lines or of single machines: two kinds of cause."""
    changes = evidence.changes
    machines = np.bincount(changes.owner, minlength=len(changes.names))
    rows = (machines[changes.owner] > 1) == of_line
    return replace(
        changes,
        owner=changes.owner[rows],
        machine=changes.machine[rows],
        start=changes.start[rows],
        end=changes.end[rows],
    )


def _coils(evidence: Evidence) -> _Family:
    """Each coil twice: as it ran, and by the longest way of its cups later; see `_sets_of`."""
    return _of_stays(evidence, CauseKind.COIL, evidence.coils)


def _sets_of(
    family: _Family, evidence: Evidence
) -> tuple[IntArray, FloatArray, FloatArray, Stretches]:
    """Cause, beginning and log prior (within the cause) of each set, and its stretches."""
    base, size = family.stretches, len(family.causes)
    if family.causes[0].kind is CauseKind.COIL:
        return _shifted(base)
    firsts = np.full(size, np.inf)
    np.minimum.at(firsts, base.owner, base.start)
    parts, codes = [base], [base.owner]
    every = np.linspace(evidence.start, evidence.end, family.starts + 1)[1:-1]
    for number, since in enumerate(every.tolist(), start=1):
        part = base.chosen((base.end > since) & (firsts[base.owner] < since))
        clipped = np.maximum(part.start, since)
        parts.append(Stretches(part.owner, part.layer, part.machine, clipped, part.end))
        codes.append(part.owner + number * size)
    used, owner = np.unique(np.concatenate(codes), return_inverse=True)
    cause, beginning = used % size, used // size
    begun = np.bincount(cause[beginning > 0], minlength=size)
    later = np.where(begun[cause] > 0, family.begun, 0.0)
    priors = np.log(np.where(beginning > 0, later / np.maximum(begun[cause], 1), 1 - later))
    since = firsts[cause] if family.own_starts else np.r_[np.nan, every][beginning]
    joined = _joined(iter(parts))
    moved = Stretches(owner, joined.layer, joined.machine, joined.start, joined.end)
    return cause, since, priors, moved


def _shifted(base: Stretches) -> tuple[IntArray, FloatArray, FloatArray, Stretches]:
    used, owner = np.unique(base.owner, return_inverse=True)
    parts = [
        Stretches(
            owner + number * len(used),
            *(base.layer, base.machine, base.start + 60 * minutes, base.end + 60 * minutes),
        )
        for number, minutes in enumerate(CUP_MINUTES)
    ]
    cause = np.tile(used, len(CUP_MINUTES))
    priors = np.full(len(cause), -np.log(len(CUP_MINUTES)))
    return cause, np.full(len(cause), np.nan), priors, _joined(iter(parts))
