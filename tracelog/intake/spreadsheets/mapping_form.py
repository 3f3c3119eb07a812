"""The form that says how a spreadsheet is read: what it shows, and the mapping it sends."""

import re
from collections.abc import Mapping as Given
from collections.abc import Sequence
from dataclasses import dataclass, replace

from tracelog.errors import BadFact, Fault
from tracelog.intake.spreadsheets.guessing import fill_in, guess_word, is_known, words_found
from tracelog.intake.spreadsheets.mapping import (
    MOST_HEADER_ROW,
    MOST_HEADER_ROWS,
    Dates,
    Source,
    body_of,
    header_of,
    plain_cell,
)
from tracelog.intake.spreadsheets.mapping import Mapping as SheetMapping
from tracelog.intake.spreadsheets.sheets import Book
from tracelog.intake.spreadsheets.targets import Column, Kind
from tracelog.language import _

RAW_ROWS = 5
_CLOCK = re.compile(r"([01]?\d|2[0-3]):[0-5]\d", re.ASCII)


@dataclass(frozen=True)
class WordChoice:
    """One of their words: how often it stands there, and which of ours it is taken for."""

    word: str
    times: int
    chosen: str


@dataclass(frozen=True)
class ColumnWords:
    """The words of one column for which ours are to be chosen."""

    column: Column
    words: Sequence[WordChoice]


def raw_rows(book: Book, mapping: SheetMapping) -> list[tuple[int, list[str]]]:
    """The first rows of the sheet as they stand there."""
    rows = body_of(book.sheet(mapping.sheet), mapping.header_last)[:RAW_ROWS]
    return [(number, [plain_cell(cell)[:60] for cell in cells]) for number, cells in rows]


def word_choices(book: Book, mapping: SheetMapping, columns: Sequence[Column]) -> list[ColumnWords]:
    """For each column that takes our words only: their words, with ours as chosen or guessed."""
    sheet = book.sheet(mapping.sheet)
    header = header_of(sheet, mapping.header_first, mapping.header_last)
    body = body_of(sheet, mapping.header_last)
    found = []
    for column in columns:
        source = mapping.sources.get(column.name)
        if column.kind is not Kind.WORD or source is None:
            continue
        kept = mapping.words.get(column.name, {})
        words = [
            WordChoice(word, times, guess_word(word, column, kept))
            for word, times in words_found(body, header, source.column)
            if not is_known(word, column)
        ]
        if words:
            found.append(ColumnWords(column, words))
    return found


def sent_mapping(given: Given[str, str], book: Book, columns: Sequence[Column]) -> SheetMapping:
    """The mapping of a form.

    Args:
        given: the fields that were sent.
        book: the spreadsheet.
        columns: ours, of the file that was chosen.

    Raises:
        BadFact: with what is wrong, at the fields of the form.
    """
    faults: list[Fault] = []
    first = _row(given, "header_first", faults)
    last = _row(given, "header_last", faults)
    if not faults and not first <= last < first + MOST_HEADER_ROWS:
        faults.append(
            Fault(
                "header_last",
                _("is not within %(most)d rows from the first", most=MOST_HEADER_ROWS),
            )
        )
    clock = given.get("clock", "").strip()
    if clock and not _CLOCK.fullmatch(clock):
        faults.append(Fault("clock", _("is not a time of day; write it such as 06:00")))
    if faults:
        raise BadFact(tuple(faults))
    dates = given.get("dates", "")
    return SheetMapping(
        file=given.get("file", ""),
        sheet=given.get("sheet", book.sheets[0].name),
        header_first=first,
        header_last=last,
        dates=Dates(dates) if dates in set(Dates) else Dates.DAY_FIRST,
        comma=given.get("comma") == "comma",
        clock=clock.zfill(5) if clock else "",
        sources=_sources(given, columns),
        words=_words(given, columns),
    )


def _row(given: Given[str, str], name: str, faults: list[Fault]) -> int:
    text = given.get(name, "").strip()
    if text.isdecimal() and text.isascii() and 1 <= int(text) <= MOST_HEADER_ROW:
        return int(text)
    faults.append(
        Fault(name, _("is not the number of a row from 1 to %(most)d", most=MOST_HEADER_ROW))
    )
    return 1


def _sources(given: Given[str, str], columns: Sequence[Column]) -> dict[str, Source]:
    sources = {}
    for column in columns:
        source = Source(
            given.get(f"from-{column.name}", ""),
            given.get(f"and-{column.name}", "") if column.joins else "",
            given.get(f"fixed-{column.name}", "").strip()[:200],
        )
        if source.column or source.fixed:
            sources[column.name] = source
    return sources


def _words(given: Given[str, str], columns: Sequence[Column]) -> dict[str, dict[str, str]]:
    words: dict[str, dict[str, str]] = {}
    for column in columns:
        place = 0
        while f"their-{column.name}-{place}" in given:
            ours = given.get(f"ours-{column.name}-{place}", "")
            if ours:
                words.setdefault(column.name, {})[given[f"their-{column.name}-{place}"]] = ours
            place += 1
    return words


def guessed_anew(mapping: SheetMapping, book: Book) -> SheetMapping:
    """The mapping with its columns guessed for the sheet, header and kind of rows chosen."""
    sheet = book.sheet(mapping.sheet)
    bare = replace(mapping, sheet=sheet.name, words={})
    header = header_of(sheet, mapping.header_first, mapping.header_last)
    return fill_in(bare, header, body_of(sheet, mapping.header_last)[:400])
