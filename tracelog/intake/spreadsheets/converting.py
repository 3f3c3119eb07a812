"""Rows of a sheet made into cells of ours: dates, numbers, codes and words, each as files want it.

Pure: values in, values out. What cannot be read is told with what would be right; whether a value
is right for the plant is told later by the same checks that a plant folder goes through.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta

from tracelog.errors import Fault
from tracelog.intake.spreadsheets.mapping import LEAVE_OUT, Dates, plain_cell
from tracelog.intake.spreadsheets.mapping import Mapping as SheetMapping
from tracelog.intake.spreadsheets.sheets import Cell
from tracelog.intake.spreadsheets.targets import Column, Kind
from tracelog.language import _
from tracelog.plant.dome_code import parse_dome_code

_DATE = re.compile(
    r"(\d{1,4})[./\-\s](\d{1,2})[./\-\s](\d{1,4})"
    r"(?:[T,\s]+(\d{1,2})[:.h](\d{2})(?:[:.](\d{2}))?(?:[.,]\d+)?\s*([ap]\.?\s?m\.?)?)?",
    re.ASCII | re.IGNORECASE,
)
_CLOCK = re.compile(
    r"(\d{1,2})[:.h](\d{2})(?:[:.](\d{2}))?\s*([ap]\.?\s?m\.?)?", re.ASCII | re.IGNORECASE
)
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:[.,'\s]\d{3})+", re.ASCII)
_DIGITS = re.compile(r"\d+", re.ASCII)
_ERRORS = frozenset(
    {"#N/A", "#REF!", "#VALUE!", "#DIV/0!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!", "#CALC!"}
)
_YES = frozenset({"yes", "y", "x", "1", "true", "si", "sí", "sim", "s", "verdadero", "verdadeiro"})
_NO = frozenset({"no", "n", "0", "false", "não", "nao", "falso"})
_LARGEST_SERIAL = 120_000


@dataclass
class Made:
    """One row in our columns: cells, what could not be read, or that it is left out on purpose."""

    row: int
    cells: dict[str, str] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    left_out: bool = False

    def put(self, column: str, text: str, sentence: str = "") -> None:
        """Keep a cell, and what is wrong with it."""
        self.cells[column] = text
        if sentence:
            self.faults.append(Fault(column, sentence))


class Converter:
    """Reads the rows of one sheet by its mapping.

    Args:
        mapping: how it is read.
        header: names of its columns.
        columns: ours.
        since_1904: whether serial dates count from 1904.
    """

    def __init__(
        self,
        mapping: SheetMapping,
        header: Sequence[str],
        columns: Sequence[Column],
        *,
        since_1904: bool,
    ) -> None:
        self._mapping = mapping
        self._since_1904 = since_1904
        places = {name: place for place, name in enumerate(header)}
        self._read = [
            (column, places.get(source.column), places.get(source.second), source.fixed)
            for column in columns
            if (source := mapping.sources.get(column.name)) is not None
            and (source.column in places or source.fixed)
        ]
        self.columns = [column.name for column, *_rest in self._read]
        self._known = {
            column.name: {word.casefold(): word for word, _title in column.known}
            for column in columns
        }

    def rows(self, body: Sequence[tuple[int, Sequence[Cell]]]) -> Iterator[Made]:
        """Each row in our columns; rows in which no chosen column is filled are passed over."""
        for number, cells in body:
            made = Made(number)
            is_filled = False
            for column, place, second, fixed in self._read:
                cell = _at(cells, place)
                beside = _at(cells, second)
                is_filled = is_filled or cell is not None or beside is not None
                if cell is None and beside is None:
                    if fixed:
                        made.put(column.name, fixed)
                    continue
                self._convert(made, column, cell, beside)
            if is_filled:
                yield made

    def _convert(self, made: Made, column: Column, cell: Cell, beside: Cell) -> None:
        if isinstance(cell, str) and cell.upper() in _ERRORS:
            sentence = _("%(text)s is an error of the spreadsheet; write the value", text=cell)
            made.put(column.name, cell, sentence)
            return
        text = plain_cell(cell)
        words = self._mapping.words.get(column.name, {})
        if text in words:
            if words[text] == LEAVE_OUT:
                made.left_out = True
            made.put(column.name, words[text])
            return
        try:
            made.put(column.name, self._text(column, cell, beside, text))
        except ValueError as problem:
            made.put(column.name, text, str(problem))

    def _text(self, column: Column, cell: Cell, beside: Cell, text: str) -> str:
        kind = column.kind
        if kind is Kind.INSTANT:
            return self.instant(cell, beside)
        if kind is Kind.DAY:
            return self.instant(cell, None, day_only=True)[:10]
        if kind in {Kind.COUNT, Kind.DECIMAL}:
            return self.number(cell, text)
        if kind is Kind.NUMBER:
            return machine_number(column.name, cell, text)
        if kind is Kind.CODE:
            return code_of(cell, text, plain_cell(beside))
        if kind is Kind.YES_NO:
            word = text.casefold()
            return "yes" if word in _YES else "no" if word in _NO else text
        return self._known[column.name].get(text.casefold(), text)

    def number(self, cell: Cell, text: str) -> str:
        """A count or decimal as files write it; without thousands separators."""
        if not isinstance(cell, str):
            return text
        bare = text.replace("\u00a0", " ").strip()
        if self._mapping.comma:
            if _GROUPED.fullmatch(bare) and "," not in bare:
                return re.sub(r"[.'\s]", "", bare)
            head, comma, tail = bare.rpartition(",")
            return re.sub(r"[.'\s]", "", head) + "." + tail if comma else bare
        if _GROUPED.fullmatch(bare) and "." not in bare:
            return re.sub(r"[,'\s]", "", bare)
        return bare

    def instant(self, cell: Cell, beside: Cell, *, day_only: bool = False) -> str:
        """A local time in ISO 8601 from a date, with the time of the same or of another cell.

        Raises:
            ValueError: no date, or no time with it.
        """
        if isinstance(cell, str) and len(cell) > 40:
            raise ValueError(_("is too long for a date"))
        day, clock, rest = self._day(cell)
        if day_only:
            return day.isoformat()
        if beside is not None:
            clock, rest = _clock(beside), ""
        if clock is None and self._mapping.clock:
            clock = _clock(self._mapping.clock)
        if clock is None:
            raise ValueError(
                _(
                    "%(day)s has no time of day; choose the column with the time, or a time to"
                    " take for all of them",
                    day=day.isoformat(),
                )
            )
        return datetime.combine(day, clock).isoformat() + rest

    def _day(self, cell: Cell) -> tuple[date, time | None, str]:
        """Day, time of day and offset of a cell."""
        if isinstance(cell, list):
            return _spreadsheet_date(cell[0])
        if isinstance(cell, int | float) and not isinstance(cell, bool):
            if self._mapping.dates is not Dates.SERIAL:
                raise ValueError(
                    _(
                        "%(figure)s is a plain number; if it counts days, choose dates as the"
                        " spreadsheet's numbers of days",
                        figure=plain_cell(cell),
                    )
                )
            return self._serial(float(cell))
        text = str(cell).strip()
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            return self._written(text)
        rest = moment.isoformat()[19:] if moment.tzinfo else ""
        moment = moment.replace(tzinfo=None)
        return moment.date(), (moment.time() if len(text) > 10 else None), rest

    def _serial(self, figure: float) -> tuple[date, time | None, str]:
        from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900, from_excel

        if not 1 <= figure <= _LARGEST_SERIAL:
            raise ValueError(_("%(figure)s is no number of days", figure=plain_cell(figure)))
        epoch = CALENDAR_MAC_1904 if self._since_1904 else CALENDAR_WINDOWS_1900
        found = from_excel(figure, epoch)
        moment: datetime = (found + timedelta(milliseconds=500)).replace(microsecond=0)
        return moment.date(), (moment.time() if figure % 1 else None), ""

    def _written(self, text: str) -> tuple[date, time | None, str]:
        found = _DATE.fullmatch(text)
        if found is None:
            raise ValueError(
                _("'%(text)s' is not a date; write it such as 2026-03-29 06:15", text=text[:40])
            )
        first, second, third = (int(found[place]) for place in (1, 2, 3))
        if len(found[1]) == 4:
            year, month, day = first, second, third
        elif self._mapping.dates is Dates.MONTH_FIRST:
            month, day, year = first, second, third
        else:
            day, month, year = first, second, third
        year += 2000 if year < 100 else 0
        try:
            made = date(year, month, day)
        except ValueError:
            raise ValueError(
                _(
                    "'%(text)s' is no date with the %(order)s; are days and months the other way"
                    " round?",
                    text=text,
                    order=_("month first")
                    if self._mapping.dates is Dates.MONTH_FIRST
                    else _("day first"),
                )
            ) from None
        clock = None
        if found[4] is not None:
            clock = _time(found[4], found[5], found[6], found[7])
        return made, clock, ""


def _at(cells: Sequence[Cell], place: int | None) -> Cell:
    found = cells[place] if place is not None and place < len(cells) else None
    return None if found == "" else found


def _spreadsheet_date(text: str) -> tuple[date, time | None, str]:
    if len(text) <= 8:
        raise ValueError(_("%(text)s is a time of day without a date", text=text))
    moment = datetime.fromisoformat(text)
    # A cell that holds a day only is midnight to the spreadsheet.
    return moment.date(), (moment.time() if moment.time() != time() else None), ""


def _clock(cell: Cell) -> time:
    """A time of day.

    Raises:
        ValueError: it is none.
    """
    if isinstance(cell, list):
        return time.fromisoformat(cell[0]) if len(cell[0]) <= 8 else _day_time(cell[0])
    if isinstance(cell, float) and 0 <= cell < 1:
        seconds = round(cell * 86_400) % 86_400
        return time(seconds // 3600, seconds // 60 % 60, seconds % 60)
    text = plain_cell(cell).strip()
    if isinstance(cell, int) and not isinstance(cell, bool) and 0 <= cell <= 2359:
        # Clocks written as 615 or 1430.
        return _time(str(cell // 100), str(cell % 100), None, None)
    found = _CLOCK.fullmatch(text)
    if found is None:
        raise ValueError(
            _("'%(text)s' is not a time of day; write it such as 06:15", text=text[:40])
        )
    return _time(found[1], found[2], found[3], found[4])


def _day_time(text: str) -> time:
    return datetime.fromisoformat(text).time()


def _time(hour: str, minute: str, second: str | None, half: str | None) -> time:
    number = int(hour)
    if half:
        number = number % 12 + (12 if half.lower().startswith("p") else 0)
    try:
        return time(number, int(minute), int(second or 0))
    except ValueError:
        raise ValueError(
            _("%(hour)s:%(minute)s is not a time of day", hour=hour, minute=minute)
        ) from None


def code_of(cell: Cell, text: str, beside: str) -> str:
    """A dome code from one cell, or from line and bodymaker in two.

    Raises:
        ValueError: the spreadsheet has made a date of it.
    """
    if isinstance(cell, list):
        raise ValueError(
            _(
                "the spreadsheet has made a date of it (%(date)s); write the code as it stands in"
                " the can",
                date=text,
            )
        )
    if beside:
        return f"{_bare(text)}-{_bare(beside)}"
    return text


def _bare(text: str) -> str:
    """The only number of a text such as ``BM 7``; the text itself if it has none, or several."""
    found = _DIGITS.findall(text)
    return found[0] if len(found) == 1 and "?" not in text else text


def machine_number(column: str, cell: Cell, text: str) -> str:
    """Number of a line or machine from ``7``, ``BM 7`` or a whole code such as ``3-7``.

    Raises:
        ValueError: the spreadsheet has made a date of it.
    """
    if isinstance(cell, list):
        return code_of(cell, text, "")
    found = _DIGITS.findall(text)
    if len(found) == 2:
        try:
            code = parse_dome_code("-".join(found))
        except ValueError:
            return text
        return code.line if column == "line" else code.number
    return _bare(text)


def filled_cells(cells: Mapping[str, str], columns: Sequence[str]) -> list[str]:
    """Cells in the order of the columns, blank where there is none."""
    return [cells.get(column, "") for column in columns]
