"""What a process says while it runs: one event on each line of stderr, as JSON or for eyes.

An event has a name or a sentence, and fields. What must not be in it: names of people, secrets,
and values of rows. Who acted is the id of their account; what an error of the database says of
values is cut out.
"""

import json
import logging
import re
import sys
import traceback
from collections.abc import Mapping
from contextvars import ContextVar, Token
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any, TextIO

from tracelog.errors import TracelogError
from tracelog.language import _

LEVELS = ("debug", "info", "warning", "error")
FORMATS = ("auto", "json", "text")
# Fields of an event stand in its record under this name.
_FIELDS = "tracelog_fields"
# What libraries quote of values: rows of a statement, the key that was there already, and what a
# field was given.
_VALUES = re.compile(
    r"^\[parameters: .*\n?|^DETAIL: .*\n?|^CONTEXT: .*\n?|(?<=input_value=).*?(?=, input_type=)",
    re.MULTILINE,
)
_NOTHING: Mapping[str, Any] = MappingProxyType({})
_bound: ContextVar[Mapping[str, Any]] = ContextVar("tracelog_bound", default=_NOTHING)


def bind(**fields: Any) -> Token[Mapping[str, Any]]:
    """Put fields on every event of this thread from now on; returns what `release` takes."""
    return _bound.set({**_bound.get(), **fields})


def release(token: Token[Mapping[str, Any]]) -> None:
    """Take off what was bound."""
    _bound.reset(token)


def tell(log: logging.Logger, level: int, event: str, **fields: Any) -> None:
    """Log an event with its fields; its name is the same each time, and English."""
    log.log(level, event, extra={_FIELDS: fields})


def begin_logging(level: str | None, form: str | None, *, service: bool) -> None:
    """Log this process's events on stderr; called again, the last call holds.

    Args:
        level: the least that is told, one of `LEVELS`; None: info.
        form: one of `FORMATS`; None: auto, which is JSON for a service whose stderr is no
            terminal, and text else.
        service: whether the process runs until it is stopped.

    Raises:
        TracelogError: a word is not known.
    """
    level, form = level or "info", form or "auto"
    level_of(level)
    _demand("TRACELOG_LOG_FORMAT", form, FORMATS)
    if form == "auto":
        form = "json" if service and not sys.stderr.isatty() else "text"
    root = logging.getLogger()
    for handler in [one for one in root.handlers if isinstance(one, _OnStderr)]:
        root.removeHandler(handler)
    handler = _OnStderr()
    handler.setFormatter(JsonLines() if form == "json" else PlainLines())
    root.addHandler(handler)
    # Of libraries only what is wrong.
    root.setLevel(logging.DEBUG if level == "debug" else logging.WARNING)
    logging.getLogger("tracelog").setLevel(level_of(level))


def level_of(word: str | None) -> int:
    """The least that is told, for the standard library; None: info.

    Raises:
        TracelogError: the word is not known.
    """
    _demand("TRACELOG_LOG_LEVEL", word or "info", LEVELS)
    return logging.getLevelNamesMapping()[(word or "info").upper()]


def server_configuration() -> dict[str, Any]:
    """For the web server's own logger: what it says goes where all else goes."""
    return {"loggers": {"_granian": {"handlers": [], "propagate": True}}}


def _demand(setting: str, word: str, known: tuple[str, ...]) -> None:
    if word not in known:
        raise TracelogError(
            _(
                "%(setting)s is '%(word)s'; write one of: %(known)s",
                setting=setting,
                word=word[:40],
                known=", ".join(known),
            )
        )


class _OnStderr(logging.StreamHandler[TextIO]):
    """Writes to what stderr is at that moment."""

    def __init__(self) -> None:
        logging.Handler.__init__(self)

    @property
    def stream(self) -> TextIO:
        """Where it goes now."""
        return sys.stderr

    @stream.setter
    def stream(self, _stream: TextIO) -> None:
        """It is never another."""


class JsonLines(logging.Formatter):
    """An event as one JSON object on one line: at, level, event, logger, and its fields."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        said: dict[str, Any] = {
            "at": _instant(record).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "event": without_values(record.getMessage()),
            "logger": record.name,
            **_bound.get(),
            **getattr(record, _FIELDS, {}),
        }
        if record.exc_info and record.exc_info[1] is not None:
            said["exception"] = _of_exception(record.exc_info[1])
        return json.dumps(said, ensure_ascii=False, default=str)


class PlainLines(logging.Formatter):
    """An event for eyes: time in UTC, how bad it is, the sentence, and its fields."""

    def format(self, record: logging.LogRecord) -> str:
        """The line, and an exception below it."""
        fields = {**_bound.get(), **getattr(record, _FIELDS, {})}
        told = "".join(f" {name}={value}" for name, value in fields.items() if value is not None)
        line = (
            f"{_instant(record):%Y-%m-%dT%H:%M:%SZ} {record.levelname.lower()}:"
            f" {without_values(record.getMessage())}{told}"
        )
        if record.exc_info and record.exc_info[1] is not None:
            return f"{line}\n{_of_exception(record.exc_info[1])}"
        return line


def without_values(text: str) -> str:
    """A message or traceback without what libraries quote of rows and fields.

    Example:
        >>> without_values("duplicate key\\nDETAIL: Key (name)=(somebody) already exists.")
        'duplicate key\\n'
    """
    return _VALUES.sub("", text)


def _instant(record: logging.LogRecord) -> datetime:
    return datetime.fromtimestamp(record.created, UTC)


def _of_exception(problem: BaseException) -> str:
    return without_values("".join(traceback.format_exception(problem))).rstrip()
