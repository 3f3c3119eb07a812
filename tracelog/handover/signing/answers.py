"""The documented answer about signatures; instants in UTC."""

from typing import Any

from tracelog.handover.answers import shift_answer
from tracelog.handover.queries import ShiftPage
from tracelog.handover.signing.queries import PastShift, Signatures, SignatureView
from tracelog.handover.signing.rules import since_sentence, since_signed


def signed_answer(signatures: Signatures, page: ShiftPage) -> dict[str, Any]:
    """How far the handover of a shift has come, and what came late."""
    return {
        "state": signatures.state.value,
        "outgoing": signature_answer(signatures.outgoing),
        "incoming": signature_answer(signatures.incoming),
        "since_signed": came_late(signatures, page),
    }


def signature_answer(one: SignatureView | None) -> dict[str, Any] | None:
    """One signature; None where nobody has signed."""
    if one is None:
        return None
    return {
        "id": str(one.id),
        "signed_at": one.signed_at,
        "signed_by": one.signed_by,
        "words": one.words,
    }


def came_late(signatures: Signatures, page: ShiftPage) -> str | None:
    """What the page tells now and did not when it was signed last; None: the same."""
    last = signatures.last
    return None if last is None else since_sentence(since_signed(last.shown, shift_answer(page)))


def past_answer(one: PastShift) -> dict[str, Any]:
    """A shift of the list."""
    outgoing, incoming = one.signatures.outgoing, one.signatures.incoming
    return {
        "shift": one.shift.shift,
        "crew": one.shift.crew,
        "day": one.shift.day.isoformat(),
        "started_at": one.shift.started_at,
        "ended_at": one.shift.ended_at,
        "state": one.signatures.state.value,
        "handed_over_by": outgoing.signed_by if outgoing else None,
        "taken_over_by": incoming.signed_by if incoming else None,
        "entries": one.entries,
        "cans": one.cans,
    }
