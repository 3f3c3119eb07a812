"""What became of each fact that was sent: doors show it, and decide whether to keep the whole."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from tracelog.errors import BadFact, Conflict, Fault


class Became(StrEnum):
    """What an action made of one fact.

    `completed`: an end that was not known before is known now. `changed`: a setting (not a fact)
    has a new value.
    """

    CREATED = "created"
    UNCHANGED = "unchanged"
    COMPLETED = "completed"
    CHANGED = "changed"
    REFUSED = "refused"


# Members are slow to reach through their class, and this one is asked for once per row.
_REFUSED = Became.REFUSED


@dataclass(frozen=True)
class Outcome:
    """What became of one fact, in the order in which facts were sent.

    `is_conflict`: refused because it contradicts what was accepted before, or another fact that
    was sent with it; by itself it would be right.
    """

    became: Became
    faults: tuple[Fault, ...] = field(default=())
    is_conflict: bool = False

    @property
    def is_kept(self) -> bool:
        """Whether the database holds the fact now."""
        return self.became is not _REFUSED


CREATED = Outcome(Became.CREATED)
UNCHANGED = Outcome(Became.UNCHANGED)
COMPLETED = Outcome(Became.COMPLETED)
CHANGED = Outcome(Became.CHANGED)


def refused(name: str, sentence: str) -> Outcome:
    """A fact that is not kept, because of `sentence` at the field `name`."""
    return Outcome(_REFUSED, (Fault(name, sentence),))


def conflict(name: str, sentence: str) -> Outcome:
    """A fact that is not kept, because it contradicts what was accepted before."""
    return Outcome(_REFUSED, (Fault(name, sentence),), is_conflict=True)


def demand_kept(outcomes: Iterable[Outcome], told_at: Mapping[str, str] | None = None) -> None:
    """Raise what an action refused, told at the fields of the form that was sent.

    Args:
        outcomes: as the action tells them.
        told_at: field of the form for fields of the fact that have another name there.

    Raises:
        BadFact: with all faults; a conflict has the status of one.
    """
    refusals = [outcome for outcome in outcomes if outcome.faults]
    if not refusals:
        return
    names = told_at or {}
    problem = BadFact(
        tuple(
            Fault(names.get(fault.field, fault.field), fault.sentence)
            for outcome in refusals
            for fault in outcome.faults
        )
    )
    if any(outcome.is_conflict for outcome in refusals):
        problem.status = Conflict.status
    raise problem


def counts(outcomes: Iterable[Outcome]) -> dict[str, int]:
    """How many facts became what, for a report or an audit record."""
    found = Counter(outcome.became for outcome in outcomes)
    return {became.value: count for became, count in found.items()}
