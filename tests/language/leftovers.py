"""What a page says that no catalogue was asked for.

The pages are read with a catalogue that puts every sentence it knows between brackets, and leaves
the fields between the words alone: what stands outside the brackets is data, or was never given to
be translated.
"""

import re
from collections.abc import Collection, Iterator
from gettext import NullTranslations
from html.parser import HTMLParser

from sqlalchemy import Engine, String, select

from tracelog.audit import AuditRecord
from tracelog.db import Base, reading

BEGIN, END = "⟦", "⟧"
_FIELD = re.compile(r"(%(?:\(\w+\)[-+ #0]*\d*(?:\.\d+)?[a-zA-Z]|%)|\{\w+\})")
# A sentence that was cut short, such as a month to three letters, has no end.
_BRACKETS = re.compile(f"{BEGIN}[^{BEGIN}{END}]*(?:{END}|$)")
_WORD = re.compile(r"[^\W\d_]{2,}")
_VOID = frozenset(
    ("area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "wbr")
)
_READ_OUT = ("aria-label", "title", "placeholder", "alt")
# Data by their own mark, or not for people.
_LEFT_ALONE = frozenset(("bdi", "code", "script", "style"))


class Bracketing(NullTranslations):
    """A language in which every known sentence stands between brackets."""

    def __init__(self, known: Collection[str]) -> None:
        super().__init__()
        self.known = known

    def gettext(self, message: str) -> str:
        """The sentence with its words between brackets; an unknown one as it is."""
        return bracketed(message) if message in self.known else message


def bracketed(sentence: str) -> str:
    """A sentence with its words between brackets, and its fields outside of them."""
    return "".join(
        part if place % 2 or not _WORD.search(part) else f"{BEGIN}{part}{END}"
        for place, part in enumerate(_FIELD.split(sentence))
    )


def outside(text: str) -> str:
    """What of a text stands outside all brackets."""
    while (less := _BRACKETS.sub(" ", text)) != text:
        text = less
    return " ".join(text.split())


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.texts: list[str] = []
        self._inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag not in _VOID:
            self._inside.append(tag)
        self.texts += [value for name in _READ_OUT if (value := given.get(name))]

    def handle_endtag(self, tag: str) -> None:
        if tag in self._inside:
            while self._inside.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        if not _LEFT_ALONE & {*self._inside}:
            self.texts.append(data)


def leftovers(html: str, data: Collection[str]) -> Iterator[str]:
    """Texts of a page with words outside the brackets that are not data.

    Args:
        html: the page.
        data: what may stand there as it is, as `shape` writes it; the longest are tried first.
    """
    reader = _Reader()
    reader.feed(html)
    known = re.compile(
        "|".join(rf"(?<!\w){re.escape(one)}(?!\w)" for one in sorted(data, key=len, reverse=True))
        or r"(?!)"
    )
    for text in reader.texts:
        rest = known.sub(" ", shape(outside(text)))
        if _WORD.search(rest):
            yield " ".join(text.split())


def shape(text: str) -> str:
    """A text with each number in it as one sign, so that serials of one kind are alike."""
    return re.sub(r"\d+(?:[.,]\d+)*", "#", text)


def data_of(engine: Engine, words: Collection[str]) -> set[str]:
    """The texts that a database holds, by their shape, but for words that are to be translated."""
    found: set[str] = set()
    with reading(engine) as session:
        for table in Base.metadata.sorted_tables:
            if table.name == AuditRecord.__tablename__:
                continue  # It names what is done in words of the interface.
            for column in table.columns:
                if isinstance(column.type, String):
                    found |= {one for one in session.scalars(select(column).distinct()) if one}
    return {shape(" ".join(one.split())) for one in found if one not in words and _WORD.search(one)}
