"""Spreadsheets for tests, made with the library that reads them or written byte by byte."""

import io
import zipfile
from collections.abc import Sequence
from typing import Any

from openpyxl import Workbook

CONTENT_TYPES = (
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package'
    '.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/></Types>'
)


def xlsx(
    rows: Sequence[Sequence[Any]], name: str = "Defects", *, since_1904: bool = False
) -> bytes:
    """A workbook with one sheet."""
    from openpyxl.utils.datetime import CALENDAR_MAC_1904

    book = Workbook()
    if since_1904:
        book.epoch = CALENDAR_MAC_1904
    sheet = book.worksheets[0]
    sheet.title = name
    for row in rows:
        sheet.append(list(row))
    return saved(book)


def saved(book: Workbook) -> bytes:
    """The bytes of a workbook."""
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


def with_part(content: bytes, name: str, part: bytes) -> bytes:
    """The same archive with one part put in another's place, or added."""
    held = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for member in old.infolist():
            if member.filename != name:
                new.writestr(member, old.read(member))
        new.writestr(name, part)
    return held.getvalue()
