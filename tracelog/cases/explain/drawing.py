"""Where entries and causes lie on a map of machines by time: pure arithmetic.

Places along the width are percentages, places along the height pixels, so that text keeps its size
on every screen.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from tracelog.cases.explain.evidence import Evidence
from tracelog.cases.explain.inside import Inside
from tracelog.cases.explain.wording import moment
from tracelog.instants import day_of, start_of_day
from tracelog.stats.inputs import FloatArray

LEFT, RIGHT = 13.0, 99.0
ROW, TOP, FOOT = 20.0, 6.0, 30.0
# Entries nearer than this, in percent of the width, are drawn as one.
NEAREST = 0.4
# A band is at least as wide as this, so that a coil of hours is seen in a year.
THINNEST = 0.5
_TICKS = 4
# Width of the text at a tick on a phone, which is to end before the map does.
TICK_TEXT = 15.0


@dataclass(frozen=True)
class Dot:
    """Entries of one machine at about one time; `inside`: within the cause."""

    x: float
    y: float
    radius: float
    inside: bool


@dataclass(frozen=True)
class Band:
    """Machine time in which the cause acted."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class Row:
    """A machine: its name and the middle of its row."""

    name: str
    y: float


@dataclass(frozen=True)
class Tick:
    """An instant under the map."""

    x: float
    text: str
    anchor: str


@dataclass(frozen=True)
class Map:
    """A map of one cause.

    `path` joins the stays of what was on one machine after another, as (x, y, x, y) lines.
    """

    rows: tuple[Row, ...]
    bands: tuple[Band, ...]
    dots: tuple[Dot, ...]
    path: tuple[tuple[float, float, float, float], ...]
    ticks: tuple[Tick, ...]
    height: float
    foot: float


def map_of(evidence: Evidence, inside: Inside, zone: ZoneInfo, *, in_turns: bool) -> Map:
    """Draw a cause.

    Args:
        evidence: what was weighed.
        inside: of the cause.
        zone: the plant's.
        in_turns: whether it was on one machine after another, so that its way is drawn.
    """
    foot = TOP + ROW * len(evidence.machines)
    return Map(
        tuple(Row(name, _middle(place)) for place, name in enumerate(evidence.machines)),
        _bands(evidence, inside),
        _dots(evidence, inside),
        _path(evidence, inside) if in_turns else (),
        _ticks(evidence, zone),
        foot + FOOT,
        foot,
    )


def _middle(machine: int) -> float:
    return TOP + ROW * machine + ROW / 2


def _along(evidence: Evidence, seconds: FloatArray) -> FloatArray:
    share = (seconds - evidence.start) / (evidence.end - evidence.start)
    places: FloatArray = LEFT + (RIGHT - LEFT) * np.clip(share, 0, 1)
    return np.asarray(np.round(places, 2), dtype=np.float64)


def _bands(evidence: Evidence, inside: Inside) -> tuple[Band, ...]:
    """Bands of the stretches; of crews, shifts and hours one for each time, over all machines."""
    first = evidence.piece_of_start
    own = inside.share[first:] > 0
    if own.all():
        spans = [(one.start, one.end, _middle(one.machine), ROW) for one in inside.stretches]
    else:
        begun = min((one.start for one in inside.stretches), default=evidence.end)
        turns = np.flatnonzero(np.diff(np.r_[False, own, False].astype(np.int8)))
        edges = evidence.edges[first:][turns]
        height = ROW * len(evidence.machines)
        spans = [
            (max(start, begun), end, TOP + height / 2, height)
            for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
            if end > begun
        ]
    bands = []
    for start, end, middle, height in spans:
        low, high = _along(evidence, np.array([start, end])).tolist()
        width = max(high - low, THINNEST)
        bands.append(Band(low, middle - height / 2, round(width, 2), height))
    return tuple(bands)


def _dots(evidence: Evidence, inside: Inside) -> tuple[Dot, ...]:
    entries = evidence.entries
    shown = (entries.at >= evidence.start) & (entries.at < evidence.end) & (entries.machine >= 0)
    places = _along(evidence, entries.at)
    step = np.floor((places - LEFT) / NEAREST).astype(np.int64)
    key = (entries.machine * 10_000 + step) * 2 + inside.entries
    used, first = np.unique(key[shown], return_index=True)
    many = np.bincount(np.searchsorted(used, key[shown]), entries.counted[shown], len(used))
    rows = np.flatnonzero(shown)[first]
    return tuple(
        Dot(
            float(places[row]),
            _middle(int(entries.machine[row])),
            round(min(2.5 + 0.8 * float(np.sqrt(count - 1)), 6.0), 1) if count > 1 else 2.5,
            bool(inside.entries[row]),
        )
        for row, count in zip(rows.tolist(), many.tolist(), strict=True)
    )


def _path(evidence: Evidence, inside: Inside) -> tuple[tuple[float, float, float, float], ...]:
    order = sorted(inside.stretches, key=lambda one: one.start)
    found = []
    for one, later in pairwise(order):
        x = _along(evidence, np.array([one.end, later.start])).tolist()
        found.append((x[0], _middle(one.machine), x[1], _middle(later.machine)))
    return tuple(found)


def _ticks(evidence: Evidence, zone: ZoneInfo) -> tuple[Tick, ...]:
    """Midnights under the map, a few of them."""
    start, end = _moment(evidence.start), _moment(evidence.end)
    days = max((end - start).days, 1)
    step = max(-(-days // _TICKS), 1)
    day = day_of(start, zone) + timedelta(days=1)
    found = []
    while (at := start_of_day(day, zone)) < end:
        x = float(_along(evidence, np.array([at.timestamp()]))[0])
        if x < RIGHT - TICK_TEXT:
            found.append(Tick(x, f"{day:%m-%d}", "start"))
        day += timedelta(days=step)
    return tuple(found)


def _moment(seconds: float) -> datetime:
    found = moment(seconds)
    assert found is not None  # noqa: S101
    return found
