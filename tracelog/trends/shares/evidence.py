"""Strokes and entries given to the tool, coil, crew, shift or hour that they belong to.

A machine's time is cut at every instant at which a tool, coil, shift or hour changed; the strokes
of each piece go to what was in force in it. An entry goes to what was in force when it occurred,
told by the same tracks; the coil that it names itself wins over the one by its time.
"""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from sqlalchemy.orm import Session

from tracelog.defects.moments import CountedEntry, counted_entries
from tracelog.defects.selecting import EntryKind
from tracelog.plant.queries import Directory, PlantView
from tracelog.strokes.at_instants import totals_in
from tracelog.strokes.hours import instant, microseconds
from tracelog.trends.queries import (
    Part,
    RateEvidence,
    RateKey,
    added,
    entry_filter,
    machines_in_scope,
    refuse_several_kinds,
    refuse_too_many,
    shared_out,
)
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rules import IN_FORCE, SHARING, By, Evidence, Found
from tracelog.trends.shares.dimensions import Dimension, bucket_track, dimension
from tracelog.trends.shares.rules import (
    NONE,
    Labelled,
    Track,
    Whole,
    crossed,
    edges_within,
    labelled,
)


def is_attributed(asked: RateQuestion) -> bool:
    """Whether a question needs to know what was in force at each instant."""
    return any(one in IN_FORCE for one in asked.told_apart)


@dataclass(frozen=True)
class _Axes:
    """What a question tells apart, each with its labels; the bucket's first."""

    asked: RateQuestion
    bucket: Track
    bucket_parts: tuple[Part, ...]
    dimensions: tuple[Dimension, ...]

    def labels(
        self, machine_id: uuid.UUID | None, line_id: uuid.UUID | None, moments: Whole
    ) -> list[Labelled]:
        """Labels of things of one machine, for each dimension."""
        return [
            labelled(one.tracks(machine_id, line_id), moments, one.renamed)
            for one in self.dimensions
        ]

    def cells(self, found: Sequence[Labelled], moments: Whole) -> tuple[Whole, list[Whole]]:
        """Things, and columns of labels: of the bucket, and of each dimension."""
        if len(found) == 1:
            things, columns = found[0].things, [found[0].labels]
        else:
            things, *columns = self._pairs(found)
        return things, [self.bucket.at(moments)[things], *columns]

    def _pairs(self, found: Sequence[Labelled]) -> tuple[Whole, Whole, Whole]:
        by = [one.by for one in self.dimensions]
        if set(by) == {By.TOOL, By.TOOL_TYPE}:
            # A tool has one type: its own, not those of the tools beside it.
            types = self.dimensions[by.index(By.TOOL_TYPE)].renamed
            tools = found[by.index(By.TOOL)]
            own = tools.labels.copy()
            if types is not None and len(types):
                own = np.where(own == NONE, NONE, types[np.maximum(own, 0)])
            pair = (tools.labels, own) if by[0] is By.TOOL else (own, tools.labels)
            return tools.things, *pair
        return crossed(found[0], found[1])


def attributed_evidence(
    session: Session, plant: PlantView, places: Directory, asked: RateQuestion
) -> RateEvidence:
    """What the rates of a question are made of, by what was in force.

    Args:
        session: an open session.
        plant, places: as read.
        asked: which rates; `is_attributed` holds for it.

    Returns:
        A fixed number of statements, whatever is asked. Tools that were in a machine at once each
        have its strokes and its entries; `counted` and `exposure` have them once.

    Raises:
        TracelogError: samples of several kinds of defect at once, shifts of a plant without any,
            or too many rows.
    """
    is_production = asked.evidence is Evidence.PRODUCTION
    if not is_production:
        refuse_several_kinds(asked)
    kind = EntryKind.PRODUCTION if is_production else EntryKind.SAMPLE
    entries = counted_entries(session, entry_filter(asked), kind)
    axes = _axes(session, plant, places, asked, entries)
    told = _told(axes, entries)
    found = {
        key: Found(cans, counted, number)
        for key, (counted, cans, number, _seen) in told.by_key.items()
    }
    if is_production:
        made, exposure = _strokes(session, places, axes)
        exposures = shared_out(made, found, asked)
    else:
        exposures = {key: sums[3] for key, sums in told.by_key.items()}
        exposure = told.inspected
        refuse_too_many(len(exposures), asked)
    return RateEvidence(found, exposures, told.unsettled, told.counted, exposure)


def collapsed(evidence: RateEvidence, place: int) -> RateEvidence:
    """Evidence of two things crossed as that of one of them.

    Args:
        evidence: of two things, each of which a stroke or entry belongs to once.
        place: which of the two is kept, 0 or 1.
    """
    found: dict[RateKey, list[Found]] = {}
    for key, one in evidence.found.items():
        found.setdefault(RateKey(key.bucket_start, (key.of[place],)), []).append(one)
    exposures: dict[RateKey, int] = {}
    for key, exposure in evidence.exposures.items():
        kept = RateKey(key.bucket_start, (key.of[place],))
        exposures[kept] = exposures.get(kept, 0) + exposure
    return replace(
        evidence,
        found={key: added(several) for key, several in found.items()},
        exposures=exposures,
    )


def _axes(
    session: Session,
    plant: PlantView,
    places: Directory,
    asked: RateQuestion,
    entries: Sequence[CountedEntry],
) -> _Axes:
    coils = {one.coil for one in entries if one.coil is not None}
    return _Axes(
        asked,
        *bucket_track(plant, asked),
        tuple(
            dimension(session, plant, places, asked, by, coils)
            for by in asked.told_apart
            if by not in SHARING
        ),
    )


def _strokes(session: Session, places: Directory, axes: _Axes) -> tuple[dict[RateKey, int], int]:
    """Strokes by key, with a blank for what shares them; and all strokes, each once."""
    asked = axes.asked
    start, end = microseconds(asked.start), microseconds(asked.end)
    scope = machines_in_scope(places, asked)
    totals = totals_in(session, scope, asked.start, asked.end, asked.as_of)
    columns, values, exposure = list[list[Whole]](), list[Whole](), 0
    for machine in places.bodymakers:
        if machine.id not in scope:
            continue
        tracks = [
            track for one in axes.dimensions for track in one.tracks(machine.id, machine.line_id)
        ]
        edges = edges_within([axes.bucket, *tracks], start, end)
        made = totals.strokes(machine.id, edges)
        exposure += int(made.sum())
        moments = edges[:-1]
        things, cells = axes.cells(axes.labels(machine.id, machine.line_id, moments), moments)
        columns.append(cells)
        values.append(made[things])
    sums = _summed(columns, [[one] for one in values])
    return {_key(axes, cell, {}): value[0] for cell, value in sums.items()}, exposure


@dataclass(frozen=True)
class _Told:
    """Sums by key: counted, cans, entries, inspected; and what belongs to no key."""

    by_key: Mapping[RateKey, tuple[int, ...]]
    counted: Found
    unsettled: Found
    inspected: int


def _told(axes: _Axes, entries: Sequence[CountedEntry]) -> _Told:
    together: dict[tuple[uuid.UUID | None, uuid.UUID | None], list[CountedEntry]] = {}
    for one in entries:
        together.setdefault((one.machine_id, one.line_id), []).append(one)
    words = {
        By.DEFECT: sorted({one.defect for one in entries}),
        By.STATION: sorted({one.found_at for one in entries if one.found_at is not None}),
    }
    columns, values = list[list[Whole]](), list[list[Whole]]()
    lost, kept = [Found()], [Found()]
    inspected = 0
    for (machine_id, line_id), group in together.items():
        settled = [one for one in group if _is_settled(axes, one)]
        lost += [_found(one) for one in group if not _is_settled(axes, one)]
        kept += [_found(one) for one in settled]
        inspected += sum(one.inspected or 0 for one in settled)
        if not settled:
            continue
        cells, sums = _cells_of_entries(axes, machine_id, line_id, settled, words)
        columns.append(cells)
        values.append(sums)
    summed = _summed(columns, values)
    by_key = {_key(axes, cell, words): sums for cell, sums in summed.items()}
    return _Told(by_key, added(kept), added(lost), inspected)


def _is_settled(axes: _Axes, entry: CountedEntry) -> bool:
    """Whether it is known what an entry belongs to, or that nothing is on record."""
    for one in axes.dimensions:
        if one.needs_machine and entry.machine_id is None:
            return False
        names_coil = one.by is By.COIL and entry.coil is not None
        if one.needs_line and entry.line_id is None and not names_coil:
            return False
    return True


def _found(entry: CountedEntry) -> Found:
    is_sample = entry.inspected is not None
    return Found(entry.cans, entry.cans if is_sample else entry.counted_occurrences, 1)


def _cells_of_entries(
    axes: _Axes,
    machine_id: uuid.UUID | None,
    line_id: uuid.UUID | None,
    entries: Sequence[CountedEntry],
    words: Mapping[By, Sequence[str]],
) -> tuple[list[Whole], list[Whole]]:
    """Columns of labels, those of defect and station last, and columns of what is counted."""
    moments = np.array([microseconds(one.occurred_at) for one in entries], dtype=np.int64)
    labels = axes.labels(machine_id, line_id, moments)
    for place, one in enumerate(axes.dimensions):
        if one.by is By.COIL:
            labels[place] = _own_coils(labels[place], one, entries)
    things, cells = axes.cells(labels, moments)
    for by in axes.asked.told_apart:
        if by in SHARING:
            place_of = {word: place for place, word in enumerate(words[by])}
            said = [one.defect if by is By.DEFECT else one.found_at for one in entries]
            told = [NONE if word is None else place_of[word] for word in said]
            cells.append(np.array(told, dtype=np.int64)[things])
    sums = [
        [_found(one).occurrences for one in entries],
        [one.cans for one in entries],
        [1] * len(entries),
        [one.inspected or 0 for one in entries],
    ]
    return cells, [np.array(column, dtype=np.int64)[things] for column in sums]


def _own_coils(by_time: Labelled, coils: Dimension, entries: Sequence[CountedEntry]) -> Labelled:
    place_of = {coil: place for place, coil in enumerate(coils.parts)}
    own = [NONE if one.coil is None else place_of[one.coil] for one in entries]
    by_thing = np.array(own, dtype=np.int64)[by_time.things]
    return Labelled(by_time.things, np.where(by_thing == NONE, by_time.labels, by_thing))


def _summed(
    columns: Sequence[Sequence[Whole]], values: Sequence[Sequence[Whole]]
) -> dict[tuple[int, ...], tuple[int, ...]]:
    """Sums of values by their labels, over several groups of columns."""
    if not columns:
        return {}
    labels = [np.concatenate(parts) for parts in zip(*columns, strict=True)]
    counted = [np.concatenate(parts) for parts in zip(*values, strict=True)]
    code = np.zeros(len(labels[0]), dtype=np.int64)
    for column in labels:
        code = code * (int(column.max(initial=0)) + 2) + column + 1
    _codes, first, place = np.unique(code, return_index=True, return_inverse=True)
    sums = []
    for column in counted:
        total = np.zeros(len(first), dtype=np.int64)
        np.add.at(total, place, column)
        sums.append(total.tolist())
    cells = zip(*(column[first].tolist() for column in labels), strict=True)
    return dict(zip(cells, zip(*sums, strict=True), strict=True))


def _key(axes: _Axes, cell: Sequence[int], words: Mapping[By, Sequence[str]]) -> RateKey:
    """The key of a cell: its bucket, then dimensions, then kind of defect and station if any."""
    bucket, *rest = cell
    start = axes.bucket_parts[bucket]
    sharing = [by for by in axes.asked.told_apart if by in SHARING]
    parts = [(one.by, one.parts) for one in axes.dimensions]
    parts += [(by, tuple(words[by])) for by in sharing if words]
    # Strokes are shared: their cells end before kind of defect and station.
    named = {by: _part(of, label) for (by, of), label in zip(parts, rest, strict=True)}
    of = tuple(named.get(by) for by in axes.asked.told_apart)
    return RateKey(_instant(start), of)


def _part(parts: Sequence[Part], label: int) -> Part:
    return None if label == NONE else parts[label]


def _instant(start: Part) -> datetime | None:
    return instant(start) if isinstance(start, int) else None
