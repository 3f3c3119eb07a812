"""Spreadsheets: from bytes to rows of ours in a database, and undone again.

The first byte says what the rest is: ``b`` the file itself, else one part of an .xlsx that is
otherwise sound (``s`` the sheet, ``t`` its texts, ``f`` its formats, ``w`` the workbook), so that
the reader of XML is reached without having to get a ZIP file right.
"""

import io
import zipfile
from datetime import UTC, date, datetime
from functools import lru_cache

from tests.fuzz.places import furnished_engine
from tests.fuzz.telling import must_tell
from tracelog.audit import Actor
from tracelog.db import writing
from tracelog.errors import TracelogError
from tracelog.intake.files import FILES
from tracelog.intake.spreadsheets.guessing import guess_mapping
from tracelog.intake.spreadsheets.mapping import read_mapping
from tracelog.intake.spreadsheets.sheets import Book, packed, read_book, unpacked
from tracelog.intake.spreadsheets.taking import Found, take_rows

BY = Actor("tests", "administrator", "command")
NOW = datetime(2026, 3, 3, tzinfo=UTC)
PARTS = {
    ord("s"): "xl/worksheets/sheet1.xml",
    ord("t"): "xl/sharedStrings.xml",
    ord("f"): "xl/styles.xml",
    ord("w"): "xl/workbook.xml",
}
ALLOWED = [file.name for file in FILES]


def try_one(data: bytes) -> None:
    """Read a file, guess what it holds, and take its rows in as its guess says."""
    if not data:
        return
    content = _with_part(PARTS[data[0]], data[1:]) if data[0] in PARTS else data[1:]
    try:
        book = read_book("list", content)
    except TracelogError as problem:
        must_tell(problem, "file")
        return
    assert unpacked(packed(book)) == book
    for sheet in book.sheets[:2]:
        mapping = guess_mapping(sheet, ALLOWED)
        assert read_mapping(mapping.text()) == mapping
        _take(book, mapping.text())


def _take(book: Book, mapping: str) -> None:
    with writing(furnished_engine()) as session:
        try:
            found = take_rows(session, book, read_mapping(mapping), {}, BY, NOW)
        except TracelogError as problem:
            must_tell(problem)
        else:
            assert Found.of_json(found.as_json()).bad == found.bad
        session.rollback()


def _with_part(name: str, content: bytes) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        for part, sound in sound_parts().items():
            archive.writestr(part, content if part == name else sound)
    return held.getvalue()


@lru_cache(maxsize=1)
def sound_parts() -> dict[str, bytes]:
    """The parts of a small list of defects, as a spreadsheet keeps it."""
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    sheet.append(["Fecha", "Hora", "Línea", "BM", "Defecto", "Latas", "Nota"])
    sheet.append([date(2026, 3, 2), "06:15", 1, 2, "split", 3, "=1+1"])
    sheet.append([46083.5, 0.25, 1.0, 3, "wrinkle", "1,5", None])
    held = io.BytesIO()
    book.save(held)
    with zipfile.ZipFile(held) as archive:
        return {name: archive.read(name) for name in archive.namelist()}
