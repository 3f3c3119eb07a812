"""Decisions about entries that need no database: corrections, words for defects, their order."""

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from difflib import get_close_matches
from typing import Any
from unicodedata import combining, normalize

from tracelog.facts import known_words
from tracelog.language import _, in_words

# After this time an entry weighs half in the order in which defects are offered.
HALF_LIFE = timedelta(hours=24)


@dataclass(frozen=True)
class Correction:
    """A correction of one entry: the fields that it changes, to their new values."""

    id: uuid.UUID
    corrected_at: datetime
    withdrawn: bool
    changes: Mapping[str, Any]


@dataclass(frozen=True)
class Standing:
    """An entry with its corrections applied; `corrections` is how many there were."""

    values: Mapping[str, Any]
    withdrawn: bool
    corrections: int


def in_order(corrections: Iterable[Correction]) -> list[Correction]:
    """Corrections in the order in which they apply: by their time, then by id."""
    return sorted(corrections, key=lambda one: (one.corrected_at, one.id.bytes))


def standing(original: Mapping[str, Any], corrections: Sequence[Correction]) -> Standing:
    """How an entry stands after its corrections, whatever order they are given in.

    Args:
        original: the entry's values as logged, by field.
        corrections: all of this entry.

    Returns:
        The values now; the last correction says whether the entry is withdrawn.

    Example:
        >>> standing({"cans": 2, "defect": "split"}, []).values
        {'cans': 2, 'defect': 'split'}
    """
    if not corrections:
        return Standing(original, withdrawn=False, corrections=0)
    values = dict(original)
    ordered = in_order(corrections)
    for correction in ordered:
        values |= correction.changes
    return Standing(values, ordered[-1].withdrawn, len(ordered))


def occurred_at(values: Mapping[str, Any]) -> datetime:
    """When an entry counts: when the can was made if that is known, else when it was seen."""
    found: datetime = values["made_at"] or values["seen_at"]
    return found


def counted_occurrences(cans: int, occurrences: int | None) -> int:
    """How many separate happenings an entry counts for: as many as cans unless it says so."""
    return cans if occurrences is None else occurrences


@dataclass(frozen=True)
class DefectWord:
    """A defect as people may call it: by its code, by its name, or in the words of the floor."""

    defect: str
    name: str | None = None
    also: tuple[str, ...] = ()

    @property
    def spellings(self) -> tuple[str, ...]:
        """Code and name, in the plain form in which words are compared."""
        return tuple(dict.fromkeys(plain_word(word) for word in (self.defect, self.name) if word))

    @property
    def other_spellings(self) -> tuple[str, ...]:
        """The words of the floor in that form."""
        return tuple(plain_word(word) for word in self.also)


def plain_word(word: str) -> str:
    """A word in the form in which words are compared: small letters, hyphens as spaces."""
    return " ".join(word.casefold().replace("-", " ").replace("_", " ").split())


def spoken_spellings(word: str | None) -> tuple[str, ...]:
    """What a word of the vocabulary is called in the language now spoken, in that form.

    With its accents and without them; none in English, and none for the plant's own words.
    """
    spoken = in_words(word)
    if not word or spoken == word:
        return ()
    letters = normalize("NFD", spoken)
    bare = "".join(one for one in letters if not combining(one))
    return tuple(dict.fromkeys((plain_word(spoken), plain_word(bare))))


def near_words(word: str, known: Iterable[str]) -> list[str]:
    """Known words that `word` may be a slip of, the nearest first (at most three)."""
    by_plain = {plain_word(one): one for one in known}
    return [by_plain[found] for found in get_close_matches(plain_word(word), by_plain, n=3)]


def unknown_word(word: str, known: Sequence[str], what: str) -> str:
    """The sentence for a word that the plant does not have.

    Args:
        word: as it was written.
        known: the words that would be right, as codes.
        what: what the word should be, with its article, such as ``a defect``.
    """
    if not known:
        return _(
            "'%(word)s' is not %(what)s of this plant; none are entered yet",
            word=word[:40],
            what=what,
        )
    near = near_words(word, known)
    if near:
        return _(
            "'%(word)s' is not %(what)s of this plant; near it: %(near)s; known are %(known)s",
            word=word[:40],
            what=what,
            near=", ".join(near),
            known=known_words(known),
        )
    return _(
        "'%(word)s' is not %(what)s of this plant; known are %(known)s",
        word=word[:40],
        what=what,
        known=known_words(known),
    )


def matching_defects(typed: str, vocabulary: Sequence[DefectWord]) -> list[str]:
    """Codes of the defects that a typed word can mean; exactly one when it is clear.

    The first of these that finds any decides: code or name written out; beginning of code or
    name; each typed word the beginning of a word of code or name, in order (`off cen` finds
    `dome-off-centre`); then the same with the words of the floor.
    """
    plain = plain_word(typed)
    if not plain:
        return []
    own = [(word.defect, word.spellings) for word in vocabulary]
    others = [(word.defect, word.other_spellings) for word in vocabulary]
    for called in (own, others):
        for finds in (_is_whole, _is_beginning, _begins_words):
            found = [
                defect
                for defect, spellings in called
                if any(finds(plain, spelling) for spelling in spellings)
            ]
            if found:
                return found
    return []


def _is_whole(typed: str, spelling: str) -> bool:
    return typed == spelling


def _is_beginning(typed: str, spelling: str) -> bool:
    return spelling.startswith(typed)


def _begins_words(typed: str, spelling: str) -> bool:
    words = iter(spelling.split())
    return all(any(word.startswith(part) for word in words) for part in typed.split())


@dataclass(frozen=True)
class Use:
    """That a defect was logged, and when."""

    defect: str
    at: datetime


def recency_weights(
    uses: Iterable[Use], now: datetime, half_life: timedelta = HALF_LIFE
) -> dict[str, float]:
    """How much each defect was logged lately.

    A defect's weight is the sum over its entries of 2^(-age / half_life), age the time from the
    entry to `now` (not below 0): an entry of this minute weighs 1, one of a half-life ago 1/2.
    Exponential forgetting; the half-life of a day is our choice, with no source.

    Args:
        uses: each entry's defect and time.
        now: the instant at which the order is wanted.
        half_life: after what time an entry weighs half.

    Example:
        >>> from datetime import UTC
        >>> noon = datetime(2026, 3, 4, 12, tzinfo=UTC)
        >>> recency_weights([Use("split", noon), Use("split", noon - HALF_LIFE)], noon)
        {'split': 1.5}
    """
    weights: dict[str, float] = {}
    for use in uses:
        age = max(now - use.at, timedelta(0))
        weights[use.defect] = weights.get(use.defect, 0.0) + 2.0 ** -(age / half_life)
    return weights


def latest_first(
    defects: Sequence[str],
    uses: Iterable[Use],
    now: datetime,
    half_life: timedelta = HALF_LIFE,
) -> list[str]:
    """Defects by what was logged lately (`recency_weights`), the rest in the order given."""
    weights = recency_weights(uses, now, half_life)
    place = {defect: ordinal for ordinal, defect in enumerate(defects)}
    return sorted(defects, key=lambda defect: (-weights.get(defect, 0.0), place[defect]))
