"""Which pallets a hold takes: those that were named, or those that its suspect window reaches."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.trace.holds.facts import HoldFact
from tracelog.trace.suspects.queries import SuspectQuestion, SuspectWindow, suspect_pallets
from tracelog.trace.suspects.rules import USUAL_RISK


@dataclass(frozen=True)
class Reached:
    """A pallet to be put on hold, and what is expected of it where a window says so."""

    pallet: str
    expected: float | None = None
    chance_of_none: float | None = None


def window_of(session: Session, fact: HoldFact, as_of: datetime) -> SuspectWindow | None:
    """What the suspect window of a hold reaches; None where it has none.

    Raises:
        TracelogError: the window is too long, or lies ahead.
        UnknownReference: the plant has no such machine.
    """
    if fact.machine is None or fact.made_from is None or fact.made_to is None:
        return None
    machine = directory(session).machine_named(fact.machine)
    asked = SuspectQuestion(machine.id, fact.made_from, fact.made_to)
    return suspect_pallets(session, asked, as_of)


def reached(session: Session, fact: HoldFact, as_of: datetime) -> tuple[Reached, ...]:
    """The pallets of a hold that is being raised, with what the window expects of each.

    Raises:
        TracelogError: neither pallets nor a whole window are named, or it reaches none.
    """
    window = window_of(session, fact, as_of)
    weighed: Mapping[str, Reached] = {}
    if window is not None:
        weighed = {
            one.pallet.pallet: Reached(one.pallet.pallet, one.expected, one.chance_of_none)
            for one in window.pallets
        }
    if fact.pallets:
        return tuple(weighed.get(one, Reached(one)) for one in fact.pallets)
    if window is None:
        raise TracelogError(
            _("is missing; name the pallets, or a machine with the window in which it made them"),
            "pallets",
        )
    risk = USUAL_RISK if fact.accepted_risk is None else fact.accepted_risk
    listed = tuple(weighed[one.pallet.pallet] for one in window.held_at(risk))
    if not listed:
        sentence = _("the window reaches no pallet on record; name the pallets by their tags")
        raise TracelogError(sentence, "pallets")
    return listed
