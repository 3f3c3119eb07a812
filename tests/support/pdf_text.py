"""The text and the pages of a PDF that Chromium made, read without a library.

Enough of ISO 32000-1 for that: compressed streams, fonts with a ToUnicode map, and strings of
two-byte glyph numbers. It is no reader of any PDF.
"""

import re
import zlib
from dataclasses import dataclass

_OBJECT = re.compile(rb"(\d+) 0 obj\b(.*?)endobj", re.S)
_STREAM = re.compile(rb"stream\r?\n(.*?)\r?\nendstream", re.S)
_RANGE = re.compile(r"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>")
_CHAR = re.compile(r"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>")
_SHOWN = re.compile(rb"/(F\d+) [\d.-]+ Tf|<([0-9A-Fa-f]+)>|(T\*|Td|Tm|ET)\b")


@dataclass(frozen=True)
class Pages:
    """The pages of a PDF: their size in points (width, height), and all text in order."""

    sizes: tuple[tuple[float, float], ...]
    text: str


def pages_of(pdf: bytes) -> Pages:
    """Sizes and text of a PDF made by Chromium."""
    objects = {int(number): body for number, body in _OBJECT.findall(pdf)}
    fonts = {
        name.decode(): _letters(objects, int(number))
        for body in objects.values()
        for name, number in re.findall(rb"/(F\d+) (\d+) 0 R", body)
    }
    sizes, text = [], []
    for body in objects.values():
        if not re.search(rb"/Type\s*/Page\b", body):
            continue
        box = re.search(rb"/MediaBox\s*\[([^\]]*)\]", body)
        contents = re.search(rb"/Contents (\d+) 0 R", body)
        if box is None or contents is None:
            continue
        _left, _foot, width, height = map(float, box[1].split())
        sizes.append((width, height))
        text.append(_shown(_stream(objects[int(contents[1])]), fonts))
    return Pages(tuple(sizes), "\n".join(text))


def _stream(body: bytes) -> bytes:
    found = _STREAM.search(body)
    if found is None:
        return b""
    return zlib.decompress(found[1]) if b"FlateDecode" in body[: found.start()] else found[1]


def _letters(objects: dict[int, bytes], number: int) -> dict[int, str]:
    """What each glyph of a font stands for."""
    linked = re.search(rb"/ToUnicode (\d+) 0 R", objects.get(number, b""))
    if linked is None:
        return {}
    table, letters = _stream(objects[int(linked[1])]).decode("latin-1"), {}
    for block in re.findall(r"beginbfchar(.*?)endbfchar", table, re.S):
        for glyph, code in _CHAR.findall(block):
            letters[int(glyph, 16)] = bytes.fromhex(code).decode("utf-16-be")
    for block in re.findall(r"beginbfrange(.*?)endbfrange", table, re.S):
        for first, last, code in _RANGE.findall(block):
            for place in range(int(first, 16), int(last, 16) + 1):
                letters[place] = chr(int(code, 16) + place - int(first, 16))
    return letters


def _shown(content: bytes, fonts: dict[str, dict[int, str]]) -> str:
    font: dict[int, str] = {}
    text = ""
    for name, glyphs, move in _SHOWN.findall(content):
        if name:
            font = fonts.get(name.decode(), {})
        elif glyphs:
            numbers = [int(glyphs[n : n + 4], 16) for n in range(0, len(glyphs), 4)]
            text += "".join(font.get(number, "") for number in numbers)
        elif move == b"ET":
            text += " "
    return text
