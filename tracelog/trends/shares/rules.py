"""What was in force when: labels over time, and what happens at instants laid beside them.

Pure: arrays in, arrays out. Instants are microseconds since 1970, UTC. Strokes and entries are
told apart by the same tracks, so that what one counts the other is divided by.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Whole = npt.NDArray[np.int64]
# The label of what nobody put on record.
NONE = -1


@dataclass(frozen=True)
class Track:
    """One label at a time: from each of `starts` on (in order) the label in `labels`.

    `NONE` before the first, and wherever nothing was in force.
    """

    starts: Whole
    labels: Whole

    def at(self, moments: Whole) -> Whole:
        """The label at each instant."""
        if not len(self.starts):
            return np.full(len(moments), NONE, dtype=np.int64)
        place = np.searchsorted(self.starts, moments, side="right") - 1
        found = np.where(place < 0, NONE, self.labels[np.maximum(place, 0)])
        return np.asarray(found, dtype=np.int64)


def constant(label: int) -> Track:
    """A track on which nothing changes."""
    return Track(np.array([np.iinfo(np.int64).min]), np.array([label], dtype=np.int64))


def track_of(stays: Iterable[tuple[int, int | None, int]]) -> Track:
    """The track of stays that follow each other.

    Args:
        stays: start, end (None: still there) and label of each, in any order. Where two overlap,
            the one that began later is in force.

    Example:
        >>> track = track_of([(0, 10, 5), (4, 6, 7)])
        >>> track.at(np.array([-1, 0, 5, 6, 10])).tolist()
        [-1, 5, 7, 5, -1]
    """
    ordered = sorted(stays, key=lambda stay: (stay[0], stay[2]))
    far = np.iinfo(np.int64).max
    spans = [(start, far if end is None else end, label) for start, end, label in ordered]
    edges = np.unique([edge for start, end, _label in spans for edge in (start, end)])
    labels = np.full(len(edges), NONE, dtype=np.int64)
    for start, end, label in spans:
        labels[np.searchsorted(edges, start) : np.searchsorted(edges, end)] = label
    return Track(np.asarray(edges, dtype=np.int64), labels)


def edges_within(tracks: Iterable[Track], start: int, end: int) -> Whole:
    """`start`, `end`, and every instant between them at which a label changes, in order."""
    found = [np.array([start, end], dtype=np.int64)]
    found += [one.starts[(one.starts > start) & (one.starts < end)] for one in tracks]
    return np.unique(np.concatenate(found))


@dataclass(frozen=True)
class Labelled:
    """Which label each of several things has: a thing with two labels is listed twice."""

    things: Whole
    labels: Whole


def labelled(tracks: Sequence[Track], moments: Whole, renamed: Whole | None = None) -> Labelled:
    """The labels of things at instants, each label once for each thing.

    Args:
        tracks: what was in force side by side.
        moments: an instant for each thing.
        renamed: another label for each label, such as a tool's type; `NONE`: not known.

    Returns:
        Things by their place among `moments`. What has no label on any track has `NONE`.

    Example:
        >>> side_by_side = [constant(0), constant(1)]
        >>> found = labelled(side_by_side, np.array([5]), np.array([7, 7]))
        >>> (found.things.tolist(), found.labels.tolist())
        ([0], [7])
    """
    every = np.arange(len(moments), dtype=np.int64)
    if len(tracks) == 1 and renamed is None:
        return Labelled(every, tracks[0].at(moments))
    things, labels = [], []
    for track in tracks:
        found = track.at(moments)
        if renamed is not None and len(renamed):
            found = np.where(found == NONE, NONE, renamed[np.maximum(found, 0)])
        things.append(every[found != NONE])
        labels.append(found[found != NONE])
    nothing = np.zeros(0, dtype=np.int64)
    pairs = np.unique(
        np.stack([np.concatenate([nothing, *things]), np.concatenate([nothing, *labels])]), axis=1
    )
    without = np.setdiff1d(every, pairs[0])
    return Labelled(
        np.concatenate([pairs[0], without]),
        np.concatenate([pairs[1], np.full(len(without), NONE, dtype=np.int64)]),
    )


def crossed(one: Labelled, other: Labelled) -> tuple[Whole, Whole, Whole]:
    """Things with a label of each kind.

    Returns:
        Thing, first label and second label: every pair of labels that a thing has.
    """
    order = np.argsort(other.things, kind="stable")
    things, labels = other.things[order], other.labels[order]
    first = np.searchsorted(things, one.things, side="left")
    many = np.searchsorted(things, one.things, side="right") - first
    rows = np.repeat(np.arange(len(one.things)), many)
    within = np.arange(len(rows)) - np.repeat(np.cumsum(many) - many, many)
    taken = np.repeat(first, many) + within
    return one.things[rows], one.labels[rows], labels[taken]
