"""Translation of every sentence a user can read.

Pages translate into the language of the request, commands into English; both call `_`.
Sentences carry their values as named fields: ``_("line %(line)d is not known", line=9)``.
Words that are kept in a constant or a table are marked with `later`, so that the catalogues know
them, and go through `in_words` (in templates a filter) where they are shown.

What is kept (audit records, facts, snapshots) and what machines read (CSV, XLSX, calendar files)
never depends on a reader's language: such text is written within `in_language(ENGLISH)`.
"""

import re
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date
from typing import Any

from tracelog import locales
from tracelog.catalogues import catalogue
from tracelog.locales import ENGLISH, LANGUAGES

# Under this name a Flask application keeps what chooses the language of a request, and a request
# the language chosen.
CHOICE = "tracelog_language"
_forced: ContextVar[str | None] = ContextVar("tracelog_language", default=None)
_FIELD = re.compile(r"%(?:\((?P<name>\w+)\)(?P<how>[-+ #0]*\d*(?:\.\d+)?[a-zA-Z])|%)")


def language() -> str:
    """The language now spoken: one of `LANGUAGES`; English where nobody asks by a request."""
    forced = _forced.get()
    if forced is not None:
        return forced
    # Looked for only where it is loaded, so that commands and numerics do not load it; a page asks
    # hundreds of times, and an import each time costs as much as the rest.
    flask = sys.modules.get("flask")
    if flask is None or not flask.has_request_context():
        return ENGLISH
    chosen: str | None = flask.g.get(CHOICE)
    if chosen is None:
        choose: Callable[[], str] | None = flask.current_app.extensions.get(CHOICE)
        chosen = choose() if choose else ENGLISH
        setattr(flask.g, CHOICE, chosen)
    return chosen


@contextmanager
def in_language(name: str) -> Iterator[None]:
    """Speak one language within a block, whoever asks.

    Raises:
        KeyError: it is not one of `LANGUAGES`.

    Example:
        >>> with in_language("es"):
        ...     locales.number(1234.5, ",.1f", language())
        '1.234,5'
    """
    held = _forced.set(LANGUAGES[name].name)
    try:
        yield
    finally:
        _forced.reset(held)


def _(sentence: str, /, **values: Any) -> str:
    """Translate `sentence` where a request says into which language, and fill in `values`."""
    spoken = language()
    if spoken == ENGLISH:
        return sentence % values if values else sentence
    translated = translation(sentence, spoken)
    return filled(translated, values, spoken) if values else translated


def later(sentence: str) -> str:
    """Mark a sentence for the catalogues that goes through `_` only where it is shown."""
    return sentence


def in_words(text: object) -> str:
    """A word of the vocabulary in the language now spoken; the plant's own words stay as they are.

    It fills in no values and marks nothing as HTML, so that any text may be given to it.
    """
    return "" if text is None else _(str(text))


def figure(value: float, how: str) -> str:
    """A number as a format specification such as ``,.1f`` has it, in the signs of the language."""
    return locales.number(value, how, language())


def in_signs(number: str) -> str:
    """A number that is written the English way, in the signs of the language."""
    return locales.with_signs(number, language())


def translation(sentence: str, spoken: str) -> str:
    """A sentence in another language, its fields not filled in; where it has none, in English."""
    # gettext keeps the catalogue's own description under the blank sentence.
    return catalogue(spoken).gettext(sentence) if sentence else ""


def filled(sentence: str, values: Mapping[str, Any], spoken: str, escape: Any = str) -> str:
    """A translated sentence with its values, numbers and days written as its language does.

    Args:
        sentence: with fields as the operator ``%`` takes them, and ``%%`` for a per cent sign.
        values: by the name of their field.
        spoken: the language.
        escape: applied to each value once it is text.
    """

    def written(found: re.Match[str]) -> str:
        name, how = found["name"], found["how"]
        return "%" if name is None else str(escape(_written(values[name], how, spoken)))

    return _FIELD.sub(written, sentence)


def _written(value: Any, how: str, spoken: str) -> Any:
    if isinstance(value, float):
        return locales.with_signs(f"%{how}" % value, spoken)
    if isinstance(value, date) and how == "s":
        return locales.day(value, spoken) if type(value) is date else str(value)
    # What is markup already stays markup.
    return value if how == "s" else f"%{how}" % value
