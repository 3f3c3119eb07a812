"""Machine by day, or machine by kind of defect: each cell against what its strokes lead to expect.

A day with few strokes does not shout: a cell's step comes from the chance of its count, not from
its rate.
"""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket, periods
from tracelog.defects.queries import ProductionCount, production_counts
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.plant.queries import Directory, MachineView, PlantView
from tracelog.stats.cell_surprise import cell_surprise
from tracelog.stats.multiplicity import benjamini_hochberg
from tracelog.strokes.queries import strokes_by_bucket
from tracelog.trends.pictures.questions import Against, Columns, HeatQuestion
from tracelog.trends.queries import entry_filter, gather, machines_in_scope
from tracelog.trends.rules import PER

# Chance of a count as far out, one-sided, from which a cell takes a step. Common practice, no
# source; the outermost is that of the funnel's outer limit.
STEP_CHANCES = (0.05, 0.01, 0.001)
# Share of false ones among the pairs that are named. Common practice, no source.
FALSE_SHARE = 0.05
MOST_COLUMNS = 130
Key = datetime | str


@dataclass(frozen=True)
class HeatColumn:
    """A period, or a kind of defect."""

    key: Key
    start: datetime
    end: datetime
    defect: str | None = None


@dataclass(frozen=True)
class HeatCell:
    """One machine in one column.

    Attributes:
        count: occurrences. strokes: None where no counter tells.
        expected: at the rate that it is judged by, None without strokes.
        step: from -3 (far fewer) over 0 to 3 (far more); None where it did not run.
        silent: it ran, and nothing of any kind was logged on its line.
        p_value: two-sided p-value, where columns are kinds of defect adjusted for the number of
            pairs (Benjamini and Hochberg).
    """

    count: int
    strokes: int | None
    expected: float | None = None
    step: int | None = None
    silent: bool = False
    p_value: float | None = None

    @property
    def per_million(self) -> float | None:
        """Occurrences per million strokes."""
        return self.count / self.strokes * PER if self.strokes else None


@dataclass(frozen=True)
class HeatRow:
    """One machine, its cells in the order of the columns."""

    machine: MachineView
    cells: tuple[HeatCell, ...]
    unheard_of: bool


@dataclass(frozen=True)
class HeatAnswer:
    """A heat map; `judged` cells have a step, `by_chance` of them reach the highest by chance."""

    question: HeatQuestion
    columns: tuple[HeatColumn, ...]
    rows: tuple[HeatRow, ...]
    judged: int
    by_chance: float


def heat_of(
    session: Session, asked: HeatQuestion, plant: PlantView, places: Directory
) -> HeatAnswer:
    """The heat map of a question; a fixed number of statements for each kind of columns.

    Raises:
        TracelogError: more columns than are drawn, or shifts of a plant without any, told at
            ``columns``.
    """
    if asked.columns is Columns.DEFECT:
        return _by_defect(session, asked, places)
    return _by_period(session, asked, plant, places)


def machines_of(asked: HeatQuestion, places: Directory) -> list[MachineView]:
    """The bodymakers that are the rows, in order."""
    scope = machines_in_scope(places, asked.rates)
    return [machine for machine in places.bodymakers if machine.id in scope]


Counted = Mapping[tuple[uuid.UUID, Key], int]


def _by_period(
    session: Session, asked: HeatQuestion, plant: PlantView, places: Directory
) -> HeatAnswer:
    columns = columns_of(asked, plant)
    bucket = Bucket(asked.columns)
    rates, machines = asked.rates, machines_of(asked, places)
    everything = entry_filter(replace(rates, defects=(), machine=None))
    logged = production_counts(
        session, everything, by=("line", "machine", "defect", "bucket"), bucket=bucket
    )
    strokes: dict[tuple[uuid.UUID, Key], int] = {
        (row.machine_id, row.bucket_start): row.strokes
        for row in strokes_by_bucket(
            session,
            machines_in_scope(places, rates),
            rates.start,
            rates.end,
            bucket,
            rota=plant.rota,
            as_of=rates.as_of,
        )
    }
    counts = _counts(logged, rates.defects, by_defect=False)
    heard = {(row.line, row.bucket_start) for row in logged}
    grid = [[_cell(counts, strokes, one.id, column.key) for column in columns] for one in machines]
    stepped = judged_cells(grid, asked.against)
    rows = [
        tuple(
            replace(cell, silent=bool(cell.strokes) and (one.line, column.key) not in heard)
            for cell, column in zip(cells, columns, strict=True)
        )
        for one, cells in zip(machines, stepped, strict=True)
    ]
    return _answer(asked, columns, machines, rows, {row.machine_id for row in logged})


def _by_defect(session: Session, asked: HeatQuestion, places: Directory) -> HeatAnswer:
    rates, machines = asked.rates, machines_of(asked, places)
    gathered = gather(session, rates)
    counts = _counts(gathered.counts, rates.defects, by_defect=True)
    scope = {machine.id for machine in machines}
    totals: dict[str, int] = {}
    for (machine, kind), found in counts.items():
        if machine in scope:
            totals[str(kind)] = totals.get(str(kind), 0) + found
    kinds = sorted(totals, key=lambda kind: (-totals[kind], kind))
    columns = tuple(HeatColumn(kind, rates.start, rates.end, kind) for kind in kinds)
    strokes: dict[tuple[uuid.UUID, Key], int] = {
        (one.id, kind): gathered.strokes[one.id]
        for one in machines
        if one.id in gathered.strokes
        for kind in kinds
    }
    grid = [[_cell(counts, strokes, one.id, kind) for kind in kinds] for one in machines]
    # Each kind has a rate of its own, so each column is judged by itself.
    turned = [list(column) for column in zip(*grid, strict=True)]
    judged = [judged_cells([[cell] for cell in column], Against.PLANT) for column in turned]
    rows = [tuple(judged[k][m][0] for k in range(len(kinds))) for m in range(len(machines))]
    return _answer(asked, columns, machines, rows, gathered.heard_of)


def _answer(
    asked: HeatQuestion,
    columns: Sequence[HeatColumn],
    machines: Sequence[MachineView],
    cells: Sequence[tuple[HeatCell, ...]],
    heard_of: set[uuid.UUID | None],
) -> HeatAnswer:
    if asked.columns is Columns.DEFECT:
        cells = adjusted_cells(cells)
    rows = tuple(
        HeatRow(one, found, one.id not in heard_of)
        for one, found in zip(machines, cells, strict=True)
    )
    judged = sum(cell.step is not None for row in rows for cell in row.cells)
    return HeatAnswer(asked, tuple(columns), rows, judged, judged * 2 * STEP_CHANCES[-1])


def columns_of(asked: HeatQuestion, plant: PlantView) -> tuple[HeatColumn, ...]:
    """The periods that are the columns, clipped to what was asked for.

    Raises:
        TracelogError: too many, or shifts of a plant without any, told at ``columns``.
    """
    bucket = Bucket(asked.columns)
    start, end = asked.rates.start, asked.rates.end
    try:
        found = periods(bucket, start, end, plant.zone, plant.rota)
    except TracelogError as problem:
        raise TracelogError(problem.sentence, "columns") from None
    if len(found) > MOST_COLUMNS:
        raise TracelogError(
            _(
                "gives %(columns)d columns, more than the %(most)d that are drawn; choose longer"
                " ones or a shorter period",
                columns=len(found),
                most=MOST_COLUMNS,
            ),
            "columns",
        )
    return tuple(HeatColumn(one.start, max(one.start, start), min(one.end, end)) for one in found)


def _counts(
    rows: Sequence[ProductionCount], defects: Sequence[str], *, by_defect: bool
) -> dict[tuple[uuid.UUID, Key], int]:
    counts: dict[tuple[uuid.UUID, Key], int] = {}
    for row in rows:
        key = row.defect if by_defect else row.bucket_start
        if row.machine_id is None or key is None or (defects and row.defect not in defects):
            continue
        place = (row.machine_id, key)
        counts[place] = counts.get(place, 0) + row.counted_occurrences
    return counts


def _cell(counts: Counted, strokes: Counted, machine: uuid.UUID, key: Key) -> HeatCell:
    return HeatCell(counts.get((machine, key), 0), strokes.get((machine, key)))


def judged_cells(grid: Sequence[Sequence[HeatCell]], against: Against) -> list[list[HeatCell]]:
    """The cells of a grid, each row a machine, with what is expected of them and their step.

    Args:
        grid: cells with count and strokes.
        against: the plant: all cells together; own: each row by itself.
    """
    if against is Against.OWN and len(grid) > 1:
        return [judged_cells([row], against)[0] for row in grid]
    ran = [cell for row in grid for cell in row if cell.strokes]
    if not ran:
        return [list(row) for row in grid]
    found = cell_surprise(
        [cell.count for cell in ran],
        [cell.strokes or 0 for cell in ran],
        sum(cell.count for cell in ran),
        sum(cell.strokes or 0 for cell in ran),
    )
    figures = zip(found.expected, found.as_high, found.as_low, strict=True)
    told = iter(
        (float(expected), step_of(float(high), float(low)), min(1.0, 2 * float(min(high, low))))
        for expected, high, low in figures
    )
    return [[_judged(cell, *next(told)) if cell.strokes else cell for cell in row] for row in grid]


def _judged(cell: HeatCell, expected: float, step: int, two_sided: float) -> HeatCell:
    return replace(cell, expected=expected, step=step, p_value=two_sided)


def step_of(as_high: float, as_low: float) -> int:
    """The step of a cell from the chance of a count as high, and as low, as its own.

    Example:
        >>> step_of(0.004, 0.999), step_of(0.7, 0.5), step_of(1.0, 0.0002)
        (2, 0, -3)
    """
    if as_high <= as_low:
        return sum(as_high <= chance for chance in STEP_CHANCES)
    return -sum(as_low <= chance for chance in STEP_CHANCES)


def adjusted_cells(rows: Sequence[tuple[HeatCell, ...]]) -> list[tuple[HeatCell, ...]]:
    """Cells with their two-sided p-values adjusted for how many pairs were looked at."""
    judged = [cell.p_value for row in rows for cell in row if cell.p_value is not None]
    if not judged:
        return list(rows)
    values = iter(benjamini_hochberg(judged))
    return [
        tuple(
            cell if cell.p_value is None else replace(cell, p_value=float(next(values)))
            for cell in row
        )
        for row in rows
    ]
