"""The typed line: `3-7 split x2 @light-tester # note` read into the fields of an entry.

First the dome code, then in any order: the defect's code, name, the beginning of either, or a word
of the floor; a count of cans (`x2`, `2 cans`, or just `2`); how many separate happenings stand
behind them (`1 time`, `1x`); where it was found (`@light-tester`); another mark on the can as one
word (`+mandrel-12`); a sample as bad of inspected (`0/200`, `0 of 200`); and at the end a note
after `#`.
Pure: words in, values out. The page reads a line in the same way while it is typed
(`typed_line.js`).
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from tracelog.defects.marks import read_mark
from tracelog.defects.rules import (
    DefectWord,
    matching_defects,
    plain_word,
    spoken_spellings,
    unknown_word,
)
from tracelog.errors import BadFact, Fault
from tracelog.facts import known_words
from tracelog.language import _
from tracelog.plant.dome_code import parse_dome_code

_LONGEST = 4500
_CODE = re.compile(r"([0-9?]+(?:\s*[-/.]\s*|\s+)[0-9?]+)(?=\s|$)", re.ASCII)
_NUMBER = re.compile(r"[0-9]{1,15}", re.ASCII)
_CANS = re.compile(r"[x×]([0-9]{1,15})", re.IGNORECASE)
_HAPPENINGS = re.compile(r"([0-9]{1,15})[x×]", re.IGNORECASE)
_COUNTED = frozenset({"can", "cans"})
_TIMES = frozenset({"time", "times"})
_SAMPLE = re.compile(r"([0-9]{1,15})/([0-9]{1,15})", re.ASCII)
_NOTE = re.compile(r"(?:^|\s)#")


def read_typed_line(
    text: str, vocabulary: Sequence[DefectWord], stations: Sequence[str] = ()
) -> dict[str, str]:
    """Read one typed line into the fields of an entry, for `EntryFact.read`.

    Args:
        text: the line as typed.
        vocabulary: the plant's defects.
        stations: where a defect can be found; without any, every place is taken as typed.

    Returns:
        Field name to text, only what was typed: dome_code, defect, cans, occurrences, inspected,
        found_at, mark, note. A line that does not start with a number has no dome code.

    Raises:
        BadFact: one fault for each field that is wrong.

    Example:
        >>> read_typed_line("03/07 spl 2", [DefectWord("split"), DefectWord("wrinkle")])
        {'dome_code': '3-7', 'defect': 'split', 'cans': '2'}
    """
    if len(text) > _LONGEST:
        raise BadFact((Fault("", _("the line is too long; type one can only")),))
    head, *note = _NOTE.split(text.strip(), maxsplit=1)
    if not head.strip():
        raise BadFact(
            (Fault("dome_code", _("is missing; type dome code and defect, such as 3-7 split x2")),)
        )
    reading = _Reading(vocabulary, stations)
    reading.take(head.strip())
    if note and note[0].strip():
        reading.values["note"] = note[0].strip()
    reading.finish()
    if reading.faults:
        raise BadFact(tuple(Fault(name, text) for name, text in reading.faults.items()))
    return reading.values


@dataclass(frozen=True)
class _Word:
    """A word that may belong to the defect; a unit is one only where nothing else fits."""

    text: str
    is_unit: bool = False


class _Reading:
    """What was understood of a line so far, and what was wrong with it."""

    def __init__(self, vocabulary: Sequence[DefectWord], stations: Sequence[str]) -> None:
        self.vocabulary = vocabulary
        self.stations = stations
        self.values: dict[str, str] = {}
        self.faults: dict[str, str] = {}
        self._words: list[_Word] = []

    def take(self, text: str) -> None:
        """Understand dome code and words of the line."""
        rest = self._without_code(text)
        parts = rest.split()
        while parts:
            self._part(parts.pop(0), parts)

    def _part(self, part: str, after: list[str]) -> None:
        """One word; takes the words that belong to it from those `after` it."""
        if part.startswith("@"):
            self._place(part[1:])
        elif part.startswith("+"):
            self._mark(part[1:])
        elif sample := _SAMPLE.fullmatch(part):
            self._sample(sample[1], sample[2], part)
        elif cans := _CANS.fullmatch(part):
            self._set("cans", str(int(cans[1])), part)
        elif happenings := _HAPPENINGS.fullmatch(part):
            self._set("occurrences", str(int(happenings[1])), part)
        elif _NUMBER.fullmatch(part):
            self._number(part, after)
        else:
            self._words.append(_Word(part))

    def _number(self, part: str, after: list[str]) -> None:
        following = after[0].casefold() if after else ""
        if following == "of" and len(after) > 1 and _NUMBER.fullmatch(after[1]):
            self._sample(part, after[1], f"{part} of {after[1]}")
            del after[:2]
        elif following in _TIMES:
            self._set("occurrences", str(int(part)), f"{part} {after.pop(0)}")
        else:
            self._set("cans", str(int(part)), part)
            if following in _COUNTED:
                # Unless it turns out to belong to the defect's name.
                self._words.append(_Word(after.pop(0), is_unit=True))

    def _sample(self, bad: str, inspected: str, typed: str) -> None:
        self._set("cans", str(int(bad)), typed)
        self._set("inspected", str(int(inspected)), typed)

    def finish(self) -> None:
        """Settle which defect the remaining words mean."""
        typed = " ".join(one.text for one in self._words if not one.is_unit)
        whole = " ".join(one.text for one in self._words)
        found = matching_defects(whole, self.vocabulary)
        if len(found) != 1:
            found = matching_defects(typed, self.vocabulary)
        if not typed and not found:
            self._wrong("defect", _("is missing; type it after the dome code, such as 3-7 split"))
            return
        if len(found) == 1:
            self.values = _after_code(self.values, found[0])
        elif found:
            self._wrong(
                "defect",
                _(
                    "'%(word)s' can be %(found)s; type more of it",
                    word=typed[:40],
                    found=known_words(found),
                ),
            )
        else:
            known = [word.defect for word in self.vocabulary]
            self._wrong("defect", unknown_word(typed, known, _("a defect")))

    def _without_code(self, text: str) -> str:
        found = _CODE.match(text)
        if found is None:
            if text[0] in "0123456789?":
                self._wrong(
                    "dome_code",
                    _(
                        "'%(text)s' is not a dome code; type line and bodymaker such as 3-7 first,"
                        " with ? for a digit nobody can read",
                        text=text.split(maxsplit=1)[0][:40],
                    ),
                )
                return text.partition(" ")[2]
            return text
        try:
            self.values["dome_code"] = str(parse_dome_code(found[1]))
        except ValueError as problem:
            self._wrong("dome_code", str(problem))
        return text[found.end() :]

    def _place(self, typed: str) -> None:
        plain = plain_word(typed)
        spelt = {one: (plain_word(one), *spoken_spellings(one)) for one in self.stations}
        whole = [one for one, known in spelt.items() if plain in known]
        begun = [
            one for one, known in spelt.items() if any(name.startswith(plain) for name in known)
        ]
        found = whole or begun
        if not plain:
            self._wrong("found_at", _("is missing after @; type a station, such as @light-tester"))
        elif not self.stations:
            self._set("found_at", typed, typed)
        elif len(found) == 1:
            self._set("found_at", found[0], typed)
        elif found:
            self._wrong(
                "found_at",
                _(
                    "'%(word)s' can be %(found)s; type more of it",
                    word=typed[:40],
                    found=known_words(found),
                ),
            )
        else:
            self._wrong("found_at", unknown_word(typed, self.stations, _("a station")))

    def _mark(self, typed: str) -> None:
        try:
            self._set("mark", read_mark(typed), typed)
        except ValueError as problem:
            self._wrong("mark", str(problem))

    def _set(self, field: str, value: str, typed: str) -> None:
        if field in self.values:
            self._wrong(
                field,
                _("is typed twice, the second time as '%(typed)s'; type one", typed=typed[:40]),
            )
        self.values[field] = value

    def _wrong(self, field: str, sentence: str) -> None:
        self.faults.setdefault(field, sentence)


def _after_code(values: dict[str, str], defect: str) -> dict[str, str]:
    """The values with the defect where people expect it: right after the dome code."""
    code = {name: values[name] for name in ("dome_code",) if name in values}
    return code | {"defect": defect} | values
