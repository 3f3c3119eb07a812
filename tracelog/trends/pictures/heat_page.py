"""What the heat map's page shows: compact cells, and the cells that stand out, with their links."""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from tracelog.instants import day_of, show_day, show_instant, show_month, write_instant
from tracelog.language import _
from tracelog.plant.queries import Directory, MachineView, PlantView
from tracelog.trends.page import day_or_moment
from tracelog.trends.pictures.drawing import short_count
from tracelog.trends.pictures.heat import (
    FALSE_SHARE,
    HeatAnswer,
    HeatCell,
    HeatColumn,
    HeatRow,
    columns_of,
    machines_of,
)
from tracelog.trends.pictures.questions import Columns, HeatQuestion, heat_pairs

# One letter a step, so that thousands of cells stay light; the style sheet draws them.
STEP_LETTERS = {-3: "c", -2: "b", -1: "a", 0: "", 1: "p", 2: "q", 3: "r"}
NOT_RUN, SILENT = "n", "s"
LISTED_STEP = 2
MOST_LISTED = 30
# With more cells only those that are marked lead on, so that the page stays light.
LARGE = 1_200


@dataclass(frozen=True)
class ShownCell:
    """One cell: its letter, what it says, its count (None: it did not run), and its number."""

    letter: str
    text: str
    count: int | None
    place: str


@dataclass(frozen=True)
class Standout:
    """A cell that stands out, with the addresses of its entries and of its chart."""

    machine: str
    column: str
    cell: HeatCell
    words: str
    entries: str
    chart: str


@dataclass(frozen=True)
class HeatPage:
    """Heads of the columns, rows of cells, and what stands out; `more` are left to the files."""

    answer: HeatAnswer
    heads: tuple[str, ...]
    rows: tuple[tuple[HeatRow, tuple[ShownCell, ...]], ...]
    standouts: tuple[Standout, ...]
    more: int

    @property
    def is_large(self) -> bool:
        """Whether there are too many cells for a button in each."""
        return len(self.rows) * len(self.heads) > LARGE


def heat_page(answer: HeatAnswer, zone: ZoneInfo, names: dict[str, str]) -> HeatPage:
    """The page of a heat map; `names` of kinds of defect for people."""
    heads = tuple(column_words(one, answer.question.columns, zone, names) for one in answer.columns)
    rows = tuple(
        (
            row,
            tuple(
                _shown(cell, f"{number}.{column.defect or place}")
                for place, (column, cell) in enumerate(zip(answer.columns, row.cells, strict=True))
            ),
        )
        for number, row in enumerate(answer.rows)
    )
    standing = [
        (row, column, head, cell)
        for row in answer.rows
        for column, head, cell in zip(answer.columns, heads, row.cells, strict=True)
        if stands_out(cell, answer.question)
    ]
    standing.sort(key=lambda one: (one[3].p_value or 0.0, -one[3].count))
    standouts = tuple(
        Standout(
            row.machine.text,
            head,
            cell,
            step_words(cell.step),
            entries_address(answer.question, row.machine, column),
            _chart(answer.question, row.machine, column, zone),
        )
        for row, column, head, cell in standing[:MOST_LISTED]
    )
    return HeatPage(answer, heads, rows, standouts, len(standing) - len(standouts))


def stands_out(cell: HeatCell, asked: HeatQuestion) -> bool:
    """Whether a cell is listed: by its step, or among all pairs by its adjusted p-value."""
    if asked.columns is Columns.DEFECT:
        return cell.p_value is not None and cell.p_value <= FALSE_SHARE
    return cell.step is not None and abs(cell.step) >= LISTED_STEP


def _shown(cell: HeatCell, place: str) -> ShownCell:
    if not cell.strokes:
        text = _("did not run") if cell.strokes == 0 else _("no reading")
        return ShownCell(NOT_RUN, text, cell.count or None, place)
    text = _("%(count)d in %(strokes)s", count=cell.count, strokes=short_count(cell.strokes))
    letter = SILENT if cell.silent else STEP_LETTERS[cell.step or 0]
    return ShownCell(letter, text, cell.count, place)


def step_words(step: int | None) -> str:
    """A step for people."""
    words = {
        -3: _("far fewer"),
        -2: _("clearly fewer"),
        -1: _("fewer"),
        0: _("as expected"),
        1: _("more"),
        2: _("clearly more"),
        3: _("far more"),
    }
    return _("did not run") if step is None else words[step]


def column_words(
    column: HeatColumn, columns: Columns, zone: ZoneInfo, names: dict[str, str]
) -> str:
    """The head of a column: a day, a week of ISO 8601, a month, a shift's start, or a kind."""
    if column.defect is not None:
        return names.get(column.defect, column.defect)
    day = day_of(column.start, zone)
    if columns is Columns.SHIFT:
        return show_instant(column.start, zone)
    if columns is Columns.WEEK:
        year, week, _weekday = day.isocalendar()
        return f"{year}-W{week:02d}"
    return show_month(day) if columns is Columns.MONTH else show_day(day)


def entries_address(asked: HeatQuestion, machine: MachineView, column: HeatColumn) -> str:
    """The address of the entries that a cell counts."""
    defects: Sequence[str] = (column.defect,) if column.defect else asked.rates.defects
    pairs = [("defect", defect) for defect in defects]
    pairs += [
        ("machine", machine.text),
        ("from", write_instant(column.start)),
        ("to", write_instant(column.end)),
        ("kind", "production"),
    ]
    if asked.rates.as_of is not None:
        pairs.append(("as_of", write_instant(asked.rates.as_of)))
    return "/log/entries?" + urlencode(pairs)


def _chart(asked: HeatQuestion, machine: MachineView, column: HeatColumn, zone: ZoneInfo) -> str:
    defects = (column.defect,) if column.defect else asked.rates.defects
    pairs = [("defect", defect) for defect in defects]
    pairs += [
        ("machine", machine.text),
        ("from", day_or_moment(asked.rates.start, zone)),
        ("to", day_or_moment(asked.rates.end, zone, ends=True)),
    ]
    if asked.rates.as_of is not None:
        pairs.append(("as_of", write_instant(asked.rates.as_of)))
    return "/trends/chart?" + urlencode(pairs)


def address_of_cell(asked: HeatQuestion, place: str, plant: PlantView, places: Directory) -> str:
    """The address of the entries of the cell that a page calls ``row.column``, or ``row.kind``.

    Raises:
        ValueError: there is no such cell.
    """
    row, _dot, name = place.partition(".")
    machines = machines_of(asked, places)
    if not row.isdecimal() or int(row) >= len(machines):
        raise ValueError(place)
    machine = machines[int(row)]
    if asked.columns is Columns.DEFECT:
        column = HeatColumn(name, asked.rates.start, asked.rates.end, name)
        return entries_address(asked, machine, column)
    columns = columns_of(asked, plant)
    if not name.isdecimal() or int(name) >= len(columns):
        raise ValueError(place)
    return entries_address(asked, machine, columns[int(name)])


def heat_query(asked: HeatQuestion, zone: ZoneInfo) -> str:
    """The choices as the query string that leads back to them."""
    return urlencode(heat_pairs(asked, zone))
