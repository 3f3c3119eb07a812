"""From what may have been read to candidates: which are dropped and why, and their shares. Pure."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

from tracelog.language import _

Key = TypeVar("Key", bound=Hashable)


@dataclass(frozen=True)
class Bearing(Generic[Key]):
    """A machine whose cans bore a code, and what speaks for it.

    Attributes:
        key: of the machine.
        code: in canonical text.
        likelihood: chance of what was read if the can bears this code.
        reason: why it is a candidate.
        is_as_read: whether the code fits what was read.
        strokes: made while its cans bore the code and the can may have been made.
        is_known: whether its counter was read over the whole of that time.
        rate: of the defect, shrunk; the same for all where the defect is not known.
    """

    key: Key
    code: str
    likelihood: float
    reason: str
    is_as_read: bool
    strokes: float = 0.0
    is_known: bool = False
    rate: float = 1.0

    @property
    def stood(self) -> bool:
        """Whether it certainly made nothing then."""
        return self.is_known and self.strokes <= 0


@dataclass(frozen=True)
class Shared(Generic[Key]):
    """A candidate with its probability."""

    bearing: Bearing[Key]
    probability: float


def joined(bearings: Sequence[Bearing[Key]]) -> list[Bearing[Key]]:
    """One for each machine and code: strokes add up over the pieces of time."""
    found: dict[tuple[Key, str], Bearing[Key]] = {}
    for one in bearings:
        there = found.get((one.key, one.code))
        found[one.key, one.code] = (
            one
            if there is None
            else replace(
                there,
                strokes=there.strokes + one.strokes,
                is_known=there.is_known and one.is_known,
            )
        )
    return list(found.values())


def shared(
    bearings: Sequence[Bearing[Key]], *, unread_counts: bool
) -> tuple[list[Shared[Key]], bool]:
    """Probabilities of machines, and whether strokes tell them apart.

    A machine that can have been read in two ways keeps the likelier reason. Without any strokes on
    record, strokes tell nothing and all count alike.

    Args:
        bearings: at least one.
        unread_counts: whether a machine whose counter is not known meanwhile counts with the mean
            strokes of those that are; else it counts with none.
    """
    known = [one.strokes for one in bearings if one.strokes > 0]
    usual = sum(known) / len(known) if known else 1.0
    weights: dict[Key, float] = {}
    best: dict[Key, Bearing[Key]] = {}
    for one in bearings:
        fills_in = not known or (unread_counts and not one.is_known)
        strokes = max(one.strokes, usual if fills_in and not one.strokes else 0.0)
        weights[one.key] = weights.get(one.key, 0.0) + one.likelihood * strokes * one.rate
        if one.key not in best or one.likelihood > best[one.key].likelihood:
            best[one.key] = one
    total = sum(weights.values())
    if total <= 0:
        weights, total = dict.fromkeys(weights, 1.0), float(len(weights))
    return [Shared(best[key], weight / total) for key, weight in weights.items()], bool(known)


def needs_doubt(bearings: Sequence[Bearing[Key]]) -> str | None:
    """Why a code is to be doubted though its reader does not; None: it is not."""
    fitting = [one for one in bearings if one.is_as_read]
    if not fitting:
        return _("No machine bore this code then; it may be one of those that are read like it.")
    if all(one.stood for one in fitting):
        return _(
            "The machine of this code made no can then; it may be one of those that are read"
            " like it, or the time is wrong."
        )
    return None
