"""Guesses of what a sheet holds: header row, what its rows are, its columns, its dates, its words.

All of them are shown before anything is done with them; nothing here is kept by itself.
"""

import difflib
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from tracelog.intake.files import FILES
from tracelog.intake.spreadsheets.header_words import BODYMAKERS, TIMES, WORDS
from tracelog.intake.spreadsheets.mapping import (
    MOST_HEADER_ROW,
    Dates,
    Source,
    body_of,
    header_of,
    plain_cell,
)
from tracelog.intake.spreadsheets.mapping import Mapping as SheetMapping
from tracelog.intake.spreadsheets.sheets import Cell, Sheet
from tracelog.intake.spreadsheets.targets import (
    USUAL,
    Column,
    Kind,
    also_called,
    columns_of,
    file_named,
)

Body = Sequence[tuple[int, Sequence[Cell]]]
_CODE = re.compile(r"\s*[0-9?]{1,3}\s*[-/.]\s*[0-9?]{1,3}\s*", re.ASCII)
_DAY_MONTH = re.compile(r"(\d{1,2})[./\-](\d{1,2})[./\-](\d{2,4})\b", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+(?:\.\d{3})*,\d+", re.ASCII)
_LOOKED_AT = 400
MOST_WORDS = 200
# Alike enough to be offered, never taken without being shown.
_ALIKE = 0.75


def plain(text: str) -> str:
    """Text without accents, capitals and signs, for comparing.

    Example:
        >>> plain("Código  (domo)")
        'codigo domo'
    """
    bare = unicodedata.normalize("NFKD", text.casefold())
    kept = "".join(
        sign if sign.isalnum() else " " for sign in bare if not unicodedata.combining(sign)
    )
    return " ".join(kept.split())


def guess_header(sheet: Sheet) -> tuple[int, int]:
    """Numbers of the rows that name the columns: the first that is all text and wide enough."""
    rows = [row for row in sheet.rows if row[0] <= MOST_HEADER_ROW]
    width = max((_filled(cells) for _number, cells in rows), default=0)
    for place, (number, cells) in enumerate(rows):
        if _filled(cells) * 2 < width or not _all_text(cells):
            continue
        has_gaps = any(cell is None for cell in cells)
        below = rows[place + 1] if place + 1 < len(rows) else None
        if has_gaps and below and below[0] == number + 1 and _all_text(below[1]):
            return number, number + 1
        return number, number
    return (rows[0][0], rows[0][0]) if rows else (1, 1)


def _filled(cells: Sequence[Cell]) -> int:
    return sum(cell is not None for cell in cells)


def _all_text(cells: Sequence[Cell]) -> bool:
    return all(cell is None or isinstance(cell, str) for cell in cells)


def guess_mapping(sheet: Sheet, allowed: Sequence[str], file: str = "") -> SheetMapping:
    """How a sheet is probably read.

    Args:
        sheet: the sheet.
        allowed: names of the files that its rows may be.
        file: what its rows are, where somebody has said so.
    """
    first, last = guess_header(sheet)
    header = header_of(sheet, first, last)
    body = body_of(sheet, last)[:_LOOKED_AT]
    name = file if file in allowed else guess_file(header, allowed)
    return fill_in(SheetMapping(name, sheet.name, first, last), header, body)


def fill_in(mapping: SheetMapping, header: Sequence[str], body: Body) -> SheetMapping:
    """The mapping with its columns, dates and decimals guessed anew."""
    columns = columns_of(file_named(mapping.file), None)
    return replace(
        mapping,
        dates=guess_dates(body),
        comma=any(isinstance(c, str) and _COMMA.fullmatch(c) for _n, cells in body for c in cells),
        sources=guess_sources(columns, header, body),
    )


def guess_file(header: Sequence[str], allowed: Sequence[str]) -> str:
    """What the rows are, from how many of our columns the header seems to name."""
    best, best_score = allowed[0], -1.0
    for file in FILES:
        if file.name not in allowed:
            continue
        columns = columns_of(file, None)
        scores = [max((_likeness(c.name, h) for h in header), default=0.0) for c in columns]
        needed = [s for s, c in zip(scores, columns, strict=True) if c.needed]
        missing = sum(score < 0.5 for score in needed)
        score = sum(one for one in scores if one >= 0.5) - 1.5 * missing
        score += 0.3 if file.name in USUAL else 0.0
        if score > best_score:
            best, best_score = file.name, score
    return best


def _likeness(column: str, header: str) -> float:
    """How well a header names one of our columns, from 0 to 1."""
    told = plain(header)
    if not told:
        return 0.0
    words = (column.replace("_", " "), *WORDS.get(column, ()))
    if told in words:
        # The first words are the plainest.
        return 1.0 - 0.01 * words.index(told)
    padded = f" {told} "
    if any(len(word) > 2 and f" {word} " in padded for word in words):
        return 0.7
    close = difflib.get_close_matches(told, words, 1, 0.85)
    return 0.6 if close else 0.0


def guess_sources(
    columns: Sequence[Column], header: Sequence[str], body: Body
) -> dict[str, Source]:
    """Which of their columns is which of ours, the likeliest first."""
    scored = sorted(
        (
            (_likeness(column.name, name) + _suits(column, place, body), -at, -place)
            for at, column in enumerate(columns)
            for place, name in enumerate(header)
            if _likeness(column.name, name) >= 0.5
        ),
        reverse=True,
    )
    sources: dict[str, Source] = {}
    used: set[int] = set()
    for score, at, place in scored:
        name = columns[-at].name
        if score < 0.5 or name in sources or -place in used:
            continue
        sources[name] = Source(header[-place])
        used.add(-place)
    _by_values(columns, header, body, sources, used)
    _seconds(columns, header, body, sources, used)
    return sources


def _cells(place: int, body: Body) -> list[Cell]:
    return [cells[place] for _n, cells in body if place < len(cells) and cells[place] is not None]


def _suits(column: Column, place: int, body: Body) -> float:
    """Whether the values fit the kind of column: a little up, or far down."""
    cells = _cells(place, body)
    if not cells:
        return 0.0
    if column.kind is Kind.INSTANT:
        return 0.2 if _share(cells, _is_date) > 0.5 else -0.6
    if column.kind is Kind.CODE:
        return 0.2 if _share(cells, _is_code) > 0.5 else 0.0
    if column.kind in {Kind.COUNT, Kind.DECIMAL}:
        return 0.1 if _share(cells, _is_number) > 0.5 else -0.5
    return 0.0


def _share(cells: Sequence[Cell], fits: Callable[[Cell], bool]) -> float:
    return sum(map(fits, cells)) / len(cells)


def _is_date(cell: Cell) -> bool:
    if isinstance(cell, list):
        return len(cell[0]) > 8
    return isinstance(cell, str) and (
        _DAY_MONTH.match(cell) is not None or re.match(r"\d{4}-\d\d-\d\d", cell) is not None
    )


def _is_code(cell: Cell) -> bool:
    return isinstance(cell, str) and _CODE.fullmatch(cell) is not None


def _is_number(cell: Cell) -> bool:
    if isinstance(cell, int | float):
        return True
    return isinstance(cell, str) and re.fullmatch(r"[+-]?[\d.,'\s]+", cell) is not None


def _by_values(
    columns: Sequence[Column],
    header: Sequence[str],
    body: Body,
    sources: dict[str, Source],
    used: set[int],
) -> None:
    """Needed instants, and dome codes, by how their values look."""
    for column in columns:
        fits = {Kind.INSTANT: _is_date, Kind.CODE: _is_code}.get(column.kind)
        if fits is None or column.name in sources:
            continue
        if not column.needed and column.kind is Kind.INSTANT:
            continue
        for place, name in enumerate(header):
            cells = _cells(place, body)
            if place not in used and cells and _share(cells, fits) > 0.8:
                sources[column.name] = Source(name)
                used.add(place)
                break


def _seconds(
    columns: Sequence[Column],
    header: Sequence[str],
    body: Body,
    sources: dict[str, Source],
    used: set[int],
) -> None:
    """The time beside a date; line and bodymaker that make a code; a code that holds both."""
    for column in columns:
        source = sources.get(column.name)
        if column.kind is Kind.INSTANT and column.needed and source is not None:
            clock = _unused(header, TIMES, used)
            if clock is not None:
                sources[column.name] = replace(source, second=header[clock])
                used.add(clock)
        if column.name == "dome_code":
            joined = _joined_code(source, header, body, used)
            if joined is not None:
                sources[column.name] = joined
    names = [column.name for column in columns]
    if "line" in names and "bodymaker" in names:
        for missing, there in (("line", "bodymaker"), ("bodymaker", "line")):
            found = sources.get(there)
            if missing in sources or found is None:
                continue
            if _share_of(found.column, header, body, _is_code) > 0.5:
                sources[missing] = found


def _joined_code(
    source: Source | None, header: Sequence[str], body: Body, used: set[int]
) -> Source | None:
    """Line and bodymaker in two columns that make a dome code, where no column holds whole ones."""
    line = _unused(header, WORDS["line"], used)
    if line is None:
        return None
    if source is not None:
        whole = _share_of(source.column, header, body, _is_code) > 0.3
        return None if whole else Source(header[line], source.column)
    machine = _unused(header, BODYMAKERS, used)
    return None if machine is None else Source(header[line], header[machine])


def _share_of(name: str, header: Sequence[str], body: Body, fits: Callable[[Cell], bool]) -> float:
    cells = _cells(header.index(name), body) if name in header else []
    return _share(cells, fits) if cells else 0.0


def _unused(header: Sequence[str], words: Iterable[str], used: set[int]) -> int | None:
    told = set(words)
    return next(
        (place for place, name in enumerate(header) if place not in used and plain(name) in told),
        None,
    )


def guess_dates(body: Body) -> Dates:
    """Day or month first, from the dates that can be only one of them; day first if none tells."""
    day_first = month_first = 0
    for _number, cells in body:
        for cell in cells:
            found = _DAY_MONTH.match(cell) if isinstance(cell, str) else None
            if found:
                day_first += int(found[1]) > 12
                month_first += int(found[2]) > 12
    return Dates.MONTH_FIRST if month_first > day_first else Dates.DAY_FIRST


def words_found(body: Body, header: Sequence[str], column: str) -> list[tuple[str, int]]:
    """The words of one of their columns with their counts, the most frequent first."""
    if column not in header:
        return []
    counted = Counter(plain_cell(cell) for cell in _cells(header.index(column), body))
    return [(word, times) for word, times in counted.most_common(MOST_WORDS) if word]


def guess_word(word: str, column: Column, kept: Mapping[str, str]) -> str:
    """Our word for one of theirs; blank where none is near."""
    if word in kept:
        return kept[word]
    told = plain(word)
    also = also_called(column.name)
    near: dict[str, str] = {}
    for ours, title in column.known:
        for other in (ours, title, *also.get(ours, ())):
            near.setdefault(plain(other), ours)
    if told in near:
        return near[told]
    close = difflib.get_close_matches(told, near, 1, _ALIKE)
    return near[close[0]] if close else ""


def is_known(word: str, column: Column) -> bool:
    """Whether their word is ours already, so that nothing has to be chosen."""
    return word.casefold() in {ours.casefold() for ours, _title in column.known}
