"""The parameters of a call of the API (``?line=3&limit=50``), read strictly.

A parameter that nobody knows, one that is given twice where one is meant, and a value that cannot
be read are each told in one sentence at their name; none is ignored in silence.
"""

from collections.abc import Callable, Sequence
from datetime import datetime
from enum import StrEnum
from typing import TypeVar
from zoneinfo import ZoneInfo

from flask import request

from tracelog.errors import BadFact, Fault, TracelogError
from tracelog.facts import plain_text, whole_number
from tracelog.instants import moment_or_day, parse_instant
from tracelog.language import _

LONGEST = 200
_YES = frozenset({"1", "yes", "true"})
_NO = frozenset({"0", "no", "false"})
Read = TypeVar("Read")
Word = TypeVar("Word", bound=StrEnum)


class WrongParameters(BadFact):
    """Parameters of a call are wrong: one fault for each."""

    status = 400


class Parameters:
    """The parameters of this request; faults are gathered, and raised by `finish`.

    Args:
        single: names that may be given once.
        several: names that may be given more than once.

    Example:
        >>> asked = Parameters(("line", "limit"))  # doctest: +SKIP
        >>> limit = asked.number("limit", 1, 500) or 100
        >>> asked.finish()
    """

    def __init__(self, single: Sequence[str], several: Sequence[str] = ()) -> None:
        self.faults: list[Fault] = []
        known = (*single, *several)
        for name, values in request.args.lists():
            if name not in known:
                self.tell(name[:60], _unknown(name[:60], known))
            elif name in single and len(values) > 1:
                self.tell(name, _("is given %(times)d times; give it once", times=len(values)))

    def tell(self, name: str, sentence: str) -> None:
        """Keep in mind what is wrong with a parameter; the first fault of each counts."""
        if all(fault.field != name for fault in self.faults):
            self.faults.append(Fault(name, sentence))

    def finish(self) -> None:
        """Raise what was gathered.

        Raises:
            WrongParameters: one fault for each parameter that is wrong.
        """
        if self.faults:
            raise WrongParameters(tuple(self.faults))

    def text(self, name: str) -> str | None:
        """A value as plain text, None if blank."""
        return next(iter(self.texts(name)[-1:]), None)

    def texts(self, name: str) -> tuple[str, ...]:
        """All values given under a name, without blanks and repeats."""
        found: list[str] = []
        for given in request.args.getlist(name):
            try:
                found.append(plain_text(given, LONGEST))
            except ValueError as problem:
                self.tell(name, str(problem))
        return tuple(dict.fromkeys(text for text in found if text))

    def read(self, name: str, how: Callable[[str], Read]) -> Read | None:
        """A value read by `how`; what that raises is told at the name. None if blank or wrong."""
        given = self.text(name)
        return None if given is None else self._read_one(name, given, how)

    def read_each(self, name: str, how: Callable[[str], Read]) -> list[Read]:
        """All values given under a name, read by `how`; those that are wrong are left out."""
        found = (self._read_one(name, given, how) for given in self.texts(name))
        return [one for one in found if one is not None]

    def _read_one(self, name: str, given: str, how: Callable[[str], Read]) -> Read | None:
        try:
            return how(given)
        except TracelogError as problem:
            self.tell(name, problem.sentence)
        except ValueError as problem:
            self.tell(name, str(problem))
        return None

    def number(self, name: str, low: int, high: int) -> int | None:
        """A whole number from `low` to `high`."""
        return self.read(name, lambda given: whole_number(given, low, high))

    def word(self, name: str, words: type[Word]) -> Word | None:
        """One of few words."""

        def chosen(given: str) -> Word:
            if given not in set(words):
                known = ", ".join(words)
                raise ValueError(
                    _("'%(given)s' is not one of: %(known)s", given=given[:60], known=known)
                )
            return words(given)

        return self.read(name, chosen)

    def yes_no(self, name: str) -> bool | None:
        """``1`` or ``0``; also ``yes``, ``no``, ``true``, ``false``."""

        def chosen(given: str) -> bool:
            if given not in _YES | _NO:
                raise ValueError(_("'%(given)s' is neither 1 nor 0", given=given[:60]))
            return given in _YES

        return self.read(name, chosen)

    def instant(self, name: str, zone: ZoneInfo) -> datetime | None:
        """An instant; without an offset it is plant time."""
        return self.read(name, lambda given: parse_instant(given, zone))

    def period(self, zone: ZoneInfo) -> tuple[datetime | None, datetime | None]:
        """The parameters `from` and `to`, instants or days (the day named by `to` belongs to it).

        An end that does not lie after its start is told at `to`.
        """
        start = self.read("from", lambda given: moment_or_day(given, zone))
        end = self.read("to", lambda given: moment_or_day(given, zone, ends=True))
        if start is not None and end is not None and end <= start:
            self.tell("to", _("is not after from; a period ends after it starts"))
        return start, end


def _unknown(name: str, known: Sequence[str]) -> str:
    if not known:
        return _("'%(name)s' is not known here; this call takes no parameters", name=name)
    return _("'%(name)s' is not known here; known are %(known)s", name=name, known=", ".join(known))
