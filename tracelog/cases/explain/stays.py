"""Stays made from what is on record: until the next of its kind, and how worn a tool was. Pure."""

import re
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import replace

import numpy as np

from tracelog.cases.explain.evidence import Evidence, Stays, cumulated
from tracelog.stats.inputs import FloatArray

# Share of the way to the palletiser after which a can is at other stations, the usual time within
# the plant's shortest and longest way, and the minutes until what is seen at the machine itself is
# written down. Common practice, no source.
_SHARE_OF_WAY = 0.75
_USUAL_WAY = 1 / 3
_AT_MACHINE = 4.0
USUAL_TRANSIT = (20, 95)
AT_MACHINE = ("cupper", "bodymaker", "trimmer")
AT_END = ("palletiser",)
# Of a batch the second tool must have been in use for this share of the first one's time.
LEAST_OF_BATCH = 0.4
_SERIAL = re.compile(r"^(.*?)(\d+)$")


def made_before(station: str | None, transit: tuple[int, int] | None) -> float:
    """Seconds between making a can and finding it at a station, usually.

    Args:
        station: where; None: not said, taken for the machine itself.
        transit: shortest and longest minutes from bodymaker to palletiser; None: not known.
    """
    if station is None or station in AT_MACHINE:
        return _AT_MACHINE * 60
    shortest, longest = transit or USUAL_TRANSIT
    whole = shortest + (longest - shortest) * _USUAL_WAY
    return 60 * whole * (1.0 if station in AT_END else _SHARE_OF_WAY)


def stays_until_next(
    rows: Iterable[tuple[Hashable, str, Sequence[int], float]], end: float
) -> Stays:
    """What holds from its instant until the next one like it.

    Args:
        rows: what makes two alike, the name, the machines, and the instant in seconds.
        end: of the period.
    """
    ordered = sorted(rows, key=lambda row: (row[3], row[1]))
    nexts: dict[Hashable, float] = {}
    spans = []
    for alike, name, machines, at in reversed(ordered):
        spans.append((name, machines, at, nexts.get(alike, end)))
        nexts[alike] = at
    spans.reverse()
    listed = [
        (owner, machine, at, until)
        for owner, (_name, machines, at, until) in enumerate(spans)
        for machine in machines
    ]
    if not listed:
        return Stays()
    owner, machine, start, until = (np.array(column) for column in zip(*listed, strict=True))
    names = tuple(name for name, *_rest in spans)
    return Stays(
        names,
        (None,) * len(names),
        owner.astype(np.intp),
        machine.astype(np.intp),
        start.astype(np.float64),
        until.astype(np.float64),
    )


def worn_before(
    tools: Stays, works: Iterable[tuple[int, float]], edges: FloatArray, strokes: FloatArray
) -> Stays:
    """The same stays of tools with the strokes on each since its last work when it was fitted.

    Strokes from before the first edge are not known and left out.

    Args:
        tools: stays.
        works: tool and instant of each work in the tool room.
        edges, strokes: of the machines, pieces of time.
    """
    sums = cumulated(strokes)
    done: dict[int, list[float]] = {}
    for tool, at in works:
        done.setdefault(tool, []).append(at)
    worn = np.zeros(len(tools.owner))
    made: dict[int, float] = {}
    last: dict[int, float] = {}
    for row in np.argsort(tools.start, kind="stable").tolist():
        tool, start = int(tools.owner[row]), float(tools.start[row])
        since = last.get(tool, -np.inf)
        if any(since <= at <= start for at in done.get(tool, ())):
            made[tool] = 0.0
        worn[row] = made.get(tool, 0.0)
        end = float(tools.end[row])
        own = sums[int(tools.machine[row])]
        low, high = np.interp([start, end], edges, own)
        made[tool], last[tool] = worn[row] + float(high - low), end
    return replace(tools, worn=worn)


def batches(evidence: Evidence) -> Stays:
    """Tools of one position whose serials differ in the last digit only: made or bought together.

    A batch of which no two tools were in use for long is left out.
    """
    tools = evidence.tools
    inside = (np.minimum(tools.end, evidence.end) > np.maximum(tools.start, evidence.start)) & (
        tools.end > tools.start
    )
    names: dict[tuple[str | None, str], list[int]] = {}
    for owner in np.unique(tools.owner[inside]).tolist():
        found = _SERIAL.match(tools.names[owner])
        if found is not None and len(found[2]) > 1:
            key = tools.places[owner], f"{found[1]}{found[2][:-1]}*"
            names.setdefault(key, []).append(owner)
    length = np.minimum(tools.end, evidence.end) - np.maximum(tools.start, evidence.start)
    used = np.bincount(tools.owner[inside], length[inside], len(tools.names))
    several = {
        key: owners
        for key, owners in names.items()
        if len(owners) > 1 and np.sort(used[owners])[-2] > LEAST_OF_BATCH * used[owners].max()
    }
    batch_of = np.full(len(tools.names), -1, dtype=np.intp)
    for place, owners in enumerate(several.values()):
        batch_of[owners] = place
    kept = inside & (batch_of[tools.owner] >= 0) if len(tools.owner) else inside
    return Stays(
        tuple(name for _place, name in several),
        tuple(place for place, _name in several),
        batch_of[tools.owner[kept]],
        *(tools.machine[kept], tools.start[kept], tools.end[kept]),
    )
