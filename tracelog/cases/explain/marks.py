"""Marks on cans as causes: how often each would be noted if all mandrels or pockets were alike.

A mark is noted on some entries only, so that what is usual of one of N is a share of those that
note a mark of its part. Pure.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from tracelog.cases.explain.evidence import Evidence, Marks
from tracelog.defects.marks import part_of
from tracelog.stats.inputs import BoolArray, IntArray

# Of what is noted of a part: relative variance of the share of one of them from period to period,
# as for stations. Common practice, no source.
NOTING_DRIFT = 0.15**2


def marks_of(
    machine: IntArray,
    line_of: IntArray,
    noted: Sequence[str | None],
    parts: Mapping[tuple[int, str], int],
) -> Marks:
    """The marks noted on entries, by line.

    Args:
        machine: (n,) of each entry, -1 where it is not settled.
        line_of: (m,) line of each machine.
        noted: (n,) mark of each entry, as marks are told apart.
        parts: how many of a part a line has, by line and part.
    """
    keys = [
        None if mark is None or place < 0 else (int(line_of[place]), mark)
        for place, mark in zip(machine.tolist(), noted, strict=True)
    ]
    known = sorted({key for key in keys if key is not None})
    place_of = {key: number for number, key in enumerate(known)}
    of = [-1 if key is None else place_of[key] for key in keys]
    groups = [part_of(mark) or mark.partition(" ")[0] for _line, mark in known]
    counts = [
        parts.get((line, group), 0) for (line, _mark), group in zip(known, groups, strict=True)
    ]
    return Marks(
        tuple(mark for _line, mark in known),
        np.array([line for line, _mark in known], dtype=np.intp),
        tuple(groups),
        np.array(counts, dtype=np.intp),
        np.array(of, dtype=np.intp),
    )


def mark_share(evidence: Evidence, label: int) -> tuple[float, float]:
    """Share of the line's entries that would bear a mark, and its relative variance.

    Of a part whose count N is known, 1 / N of those that note one; else its share of them before
    the period, or alike with all others where nothing was noted before.
    """
    marks, entries = evidence.marks, evidence.entries
    of_line = _of_line(evidence, label)
    now = of_line & (entries.at >= evidence.start)
    same = [number for number in range(len(marks.names)) if _alike(marks, number, label)]
    noted = np.isin(marks.of, same)
    total, of_part = (float(entries.weight[rows].sum()) for rows in (now, now & noted))
    how_often = (of_part + 0.5) / (total + 1.0)
    if marks.counts[label] > 1:
        return how_often / int(marks.counts[label]), NOTING_DRIFT + 1 / (of_part + 1.0)
    past = of_line & (entries.at < evidence.start)
    before = float(entries.weight[past & noted].sum())
    own = float(entries.weight[past & (marks.of == label)].sum())
    share = (own + 1.0) / (before + len(same))
    return how_often * share, NOTING_DRIFT + 1 / (own + 1.0)


def mark_exposure(evidence: Evidence, label: int) -> float:
    """Share of the line's strokes that a mark stands for: 1 / N, or its share of what is noted."""
    marks, weight = evidence.marks, evidence.entries.weight
    if marks.counts[label] > 1:
        return 1 / int(marks.counts[label])
    same = [number for number in range(len(marks.names)) if _alike(marks, number, label)]
    noted = float(weight[np.isin(marks.of, same)].sum())
    return float(weight[marks.of == label].sum()) / max(noted, 1e-300)


def _alike(marks: Marks, one: int, other: int) -> bool:
    """Whether two marks are of one part of one line."""
    return marks.parts[one] == marks.parts[other] and marks.lines[one] == marks.lines[other]


def _of_line(evidence: Evidence, label: int) -> BoolArray:
    machine = evidence.entries.machine
    line = evidence.line_of[np.maximum(machine, 0)]
    return np.asarray((machine >= 0) & (line == evidence.marks.lines[label]))
