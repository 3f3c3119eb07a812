"""Decisions about one series and its frozen baseline that need no database."""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

# Kinds of defect of a series stand in order with this between them.
BETWEEN_KINDS = ","


class RunRules(StrEnum):
    """Which published set of run rules is looked for; each stands by itself, none is the usual."""

    NONE = "none"
    WESTERN_ELECTRIC = "western-electric-1956"
    NELSON = "nelson-1984"


class SeriesEvidence(StrEnum):
    """What a series is made of."""

    PRODUCTION = "production"
    SAMPLES = "samples"
    MEASUREMENTS = "measurements"


@dataclass(frozen=True)
class SeriesKey:
    """Which series: where (neither line nor machine: the whole plant), of what, made of what.

    `of` is kinds of defect in order with commas between them, empty for all kinds together; for
    measurements the characteristic. `line` is None where the machine says it.
    """

    machine_id: uuid.UUID | None
    line: int | None
    evidence: SeriesEvidence
    of: str


def kinds_text(defects: Iterable[str]) -> str:
    """Kinds of defect as a series keeps them: each once, in order.

    Example:
        >>> kinds_text(["wrinkle", "split", "wrinkle"])
        'split,wrinkle'
    """
    return BETWEEN_KINDS.join(sorted({one.strip() for one in defects if one.strip()}))


def kinds_in(of: str) -> tuple[str, ...]:
    """The kinds of defect of a series, none for all together.

    Example:
        >>> kinds_in("split,wrinkle"), kinds_in("")
        (('split', 'wrinkle'), ())
    """
    return tuple(of.split(BETWEEN_KINDS)) if of else ()
