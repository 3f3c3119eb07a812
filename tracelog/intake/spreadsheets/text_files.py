"""CSV as spreadsheet programs write it: whatever separator and encoding, told from the bytes."""

import csv
import io
from collections import Counter

from tracelog.errors import TracelogError
from tracelog.language import _

DELIMITERS = (";", ",", "\t", "|")
_LOOKED_AT = 60


def text_of(content: bytes) -> str:
    """The text of a file in UTF-8 (with or without mark), UTF-16 or Windows-1252.

    Raises:
        TracelogError: it is in none of them.

    Example:
        >>> text_of("línea;fecha".encode("cp1252"))
        'línea;fecha'
    """
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return _decoded(content, "utf-16")
    if b"\0" in content[:4000]:
        # UTF-16 without its mark: the zero stands after a plain letter, or before it.
        even = content[:4000:2].count(0)
        odd = content[1:4000:2].count(0)
        return _decoded(content, "utf-16-be" if even > odd else "utf-16-le")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return _decoded(content, "cp1252")


def _decoded(content: bytes, encoding: str) -> str:
    try:
        return content.decode(encoding)
    except UnicodeDecodeError as problem:
        raise TracelogError(
            _("is not text that can be read; save it as CSV in UTF-8, or as .xlsx"), "file"
        ) from problem


def delimiter_of(text: str) -> str:
    """The separator with which the first rows fall into the most equal columns.

    Example:
        >>> delimiter_of("línea;cans\\n3-7;1,5\\n")
        ';'
    """
    lines = text.splitlines()[:_LOOKED_AT]
    best, best_score = ",", (0, 0)
    for delimiter in DELIMITERS:
        try:
            widths = Counter(len(row) for row in csv.reader(lines, delimiter=delimiter) if row)
        except csv.Error:
            continue
        width, times = max(widths.items(), key=lambda one: (one[1], one[0]), default=(1, 0))
        score = (times, width) if width > 1 else (0, 0)
        if score > best_score:
            best, best_score = delimiter, score
    return best


def rows_of_text(text: str) -> list[list[str]]:
    """The rows of a CSV text, blank ones too, so that each keeps its number.

    Raises:
        TracelogError: it is no CSV.
    """
    first, _line_end, rest = text.partition("\n")
    delimiter = None
    if first.strip().lower().startswith("sep=") and len(first.strip()) == 5:
        # A note to one spreadsheet program, not a row; it keeps its number.
        delimiter, text = first.strip()[4], "\n" + rest
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter or delimiter_of(text))
    try:
        return list(reader)
    except csv.Error as problem:
        raise TracelogError(
            _("is no CSV in row %(row)d: %(why)s", row=reader.line_num, why=problem), "file"
        ) from problem
