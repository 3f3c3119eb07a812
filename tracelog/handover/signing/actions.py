"""Signing a handover: the outgoing crew with its words, the incoming one having read them."""

import json
from datetime import datetime

from sqlalchemy import insert
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.db import new_id
from tracelog.errors import Conflict, NotFound
from tracelog.facts import plain_value
from tracelog.handover.answers import shift_answer
from tracelog.handover.models import HandoverSignature
from tracelog.handover.queries import shift_page
from tracelog.handover.signing.facts import Side, SignatureFact
from tracelog.handover.signing.queries import Signatures, SignatureView, signatures_of
from tracelog.language import _, in_language
from tracelog.locales import ENGLISH
from tracelog.outcomes import CREATED, UNCHANGED, Outcome
from tracelog.plant.queries import the_plant


def sign_shift(session: Session, fact: SignatureFact, actor: Actor, now: datetime) -> Outcome:
    """Sign a shift for one side, and keep the page as it is shown at that moment.

    The outgoing crew signs first. The incoming one names the outgoing signature that it has read,
    and is another person. Signing again with the same words changes nothing.

    Args:
        session: an open session that writes.
        fact: the shift, the side, the words.
        actor: who signs.
        now: UTC.

    Raises:
        NotFound: the plant has no shifts.
        Conflict: the shift has not begun; somebody signed that side already, or the same person
            the other one; or the outgoing crew has not signed what the incoming one read.
    """
    take_turn(session)
    plant = the_plant(session)
    shift = plant.shift_at(fact.at)
    if shift is None:
        raise NotFound(_("the plant has no shifts yet; give them in plant.toml"))
    if shift.started_at > now:
        raise Conflict(_("the shift has not begun; sign it once it has"), "at")
    known = signatures_of(session, [shift.started_at])[shift.started_at]
    mine = known.outgoing if fact.side is Side.OUTGOING else known.incoming
    if mine is not None:
        if mine.signed_by == actor.name and (mine.words or None) == fact.words:
            return UNCHANGED
        raise Conflict(_signed_already(mine), "words")
    _check_other_side(fact, known, actor)
    if fact.id is not None and session.get(HandoverSignature, fact.id) is not None:
        raise Conflict(_("a signature with this id is another one; use a new id"), "id")
    # What is kept does not depend on the language of who signs.
    with in_language(ENGLISH):
        page = shift_page(session, plant, shift.started_at, now)
        shown = json.dumps(shift_answer(page), ensure_ascii=False, default=plain_value)
    signature_id = fact.id or new_id()
    subject = Subject("handover signature", str(signature_id))
    after = {"shift": shift.started_at, "side": fact.side.value, "words": fact.words}
    audit_id = append(session, actor, now, "sign handover", subject, None, after)
    session.execute(
        insert(HandoverSignature).values(
            id=signature_id,
            shift_started_at=shift.started_at,
            line_id=None,
            side=fact.side.value,
            words=fact.words,
            shown=shown,
            signed_at=now,
            signed_by=actor.name,
            audit_id=audit_id,
        )
    )
    return CREATED


def _check_other_side(fact: SignatureFact, known: Signatures, actor: Actor) -> None:
    """Whether this side may sign now, given what the other has done.

    Raises:
        Conflict: it may not.
    """
    if fact.side is Side.OUTGOING:
        if fact.having_read is not None:
            raise Conflict(_("only the incoming crew says what it has read"), "having_read")
        return
    if known.outgoing is None:
        raise Conflict(_("the outgoing crew has not signed yet; it signs first"), "side")
    if known.outgoing.signed_by == actor.name:
        raise Conflict(
            _("you handed this shift over; somebody else of the incoming crew signs"), "side"
        )
    if fact.having_read != known.outgoing.id:
        raise Conflict(
            _("read what the outgoing crew has written, and sign on that page"), "having_read"
        )


def _signed_already(mine: SignatureView) -> str:
    return _(
        "%(who)s has signed this side already; write a note for what is to be added",
        who=mine.signed_by,
    )
