"""Which bodymaker somebody chose in a form."""

from collections.abc import Callable

from sqlalchemy.orm import Session

from tracelog.errors import TracelogError, UnknownReference
from tracelog.language import _
from tracelog.plant.queries import BODYMAKER, MachineView, directory


def chosen_bodymaker(session: Session, named: str, other: Callable[[str], str]) -> MachineView:
    """The bodymaker that a form names.

    Args:
        session: an open session.
        named: what stands in the field ``machine``.
        other: what to say of a machine of another station, told its text.

    Raises:
        TracelogError: nothing is named; at ``machine``.
        UnknownReference: there is no such machine, or it is no bodymaker; at ``machine``.
    """
    if not named:
        raise TracelogError(_("is missing; choose a bodymaker such as 3-7"), "machine")
    machine = directory(session).machine_named(named)
    if machine.station != BODYMAKER:
        raise UnknownReference(other(machine.text), "machine")
    return machine
