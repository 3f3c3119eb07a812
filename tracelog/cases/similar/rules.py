"""Which earlier cases were like this one. Pure."""

import math
import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

# How much each likeness weighs; together 1. Common practice, no source.
DEFECT, TOOLS, MACHINE, LINE, WORDS = 0.40, 0.15, 0.10, 0.05, 0.30
# What is less alike is not told.
LEAST = 0.15
_WORD = re.compile(r"[^\W_]+")


@dataclass(frozen=True)
class Traits:
    """What a case is compared by.

    `tool_types` are those of the tools that belong to it or most likely lie behind it; `text` is
    its title and its steps.
    """

    defect: str
    line: int
    place: str
    tool_types: frozenset[str]
    text: str


@dataclass(frozen=True)
class Likeness:
    """How alike two cases are, from 0 to 1, and by what; `words` is the cosine of their words."""

    score: float
    same_defect: bool
    same_machine: bool
    same_line: bool
    tool_types: tuple[str, ...]
    words: float


def words_of(text: str) -> list[str]:
    """Words of a text, folded, without accents; those of one letter and bare numbers left out."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    kept = "".join(sign for sign in plain if not unicodedata.combining(sign))
    return [word for word in _WORD.findall(kept) if len(word) > 1 and not word.isdecimal()]


def rarity(texts: Sequence[Sequence[str]]) -> dict[str, float]:
    """How rare each word is: log((1 + n) / (1 + d)) + 1, of n texts d with the word.

    Source: Salton and Buckley (1988), Information Processing and Management 24:513-523, in the
        smoothed form that is common practice (from memory).
    Example: a word of one text out of three weighs log(4/2) + 1 = 1.69.
    """
    within = Counter(word for words in texts for word in set(words))
    return {word: math.log((1 + len(texts)) / (1 + count)) + 1 for word, count in within.items()}


def cosine(one: Sequence[str], other: Sequence[str], weights: Mapping[str, float]) -> float:
    """Cosine of two texts as vectors of their words, each count times the word's rarity; 0 to 1."""
    first, second = (
        {word: count * weights.get(word, 1.0) for word, count in Counter(words).items()}
        for words in (one, other)
    )
    lengths = [math.sqrt(sum(value**2 for value in each.values())) for each in (first, second)]
    if not all(lengths):
        return 0.0
    shared = sum(value * second.get(word, 0.0) for word, value in first.items())
    return min(shared / (lengths[0] * lengths[1]), 1.0)


def alike(about: Traits, other: Traits, words: float) -> Likeness:
    """How alike two cases are.

    The score is 0.40 for the same defect, 0.15 for a tool type in common, 0.10 for the same
    machine, 0.05 for the same line, and 0.30 times the cosine of their words.

    Args:
        about, other: the two.
        words: the cosine.
    """
    tools = tuple(sorted(about.tool_types & other.tool_types))
    same_machine = "-" in about.place and about.place == other.place
    score = (
        DEFECT * (about.defect == other.defect)
        + TOOLS * bool(tools)
        + MACHINE * same_machine
        + LINE * (about.line == other.line)
        + WORDS * words
    )
    return Likeness(
        score,
        about.defect == other.defect,
        same_machine,
        about.line == other.line,
        tools,
        words,
    )


def most_alike(about: Traits, others: Sequence[Traits], most: int) -> list[tuple[int, Likeness]]:
    """The most alike of several cases, as places in the sequence, the most alike first.

    Those that have neither the defect nor a tool type nor any word in common are left out.
    """
    texts = [words_of(one.text) for one in (about, *others)]
    weights = rarity(texts)
    found = []
    for place, (other, words) in enumerate(zip(others, texts[1:], strict=True)):
        likeness = alike(about, other, cosine(texts[0], words, weights))
        has_ground = likeness.same_defect or likeness.tool_types or likeness.words > 0
        if has_ground and likeness.score >= LEAST:
            found.append((place, likeness))
    found.sort(key=lambda one: (-one[1].score, one[0]))
    return found[:most]
