"""Signing: each side once, by two people, the page kept as it was."""

from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.handover.small_shifts import BY, DAY_STARTS_AT, HOUR, ZONE, log, write_plant
from tracelog.audit import Actor, AuditRecord, broken_links
from tracelog.db import new_id
from tracelog.errors import BadFact, Conflict, NotFound
from tracelog.handover.models import HandoverSignature
from tracelog.handover.queries import shift_page
from tracelog.handover.signing.actions import sign_shift
from tracelog.handover.signing.answers import came_late
from tracelog.handover.signing.facts import Side, SignatureFact
from tracelog.handover.signing.queries import (
    Signatures,
    Signed,
    past_shifts,
    shown_page,
    signatures_of,
)
from tracelog.outcomes import Became
from tracelog.plant.queries import the_plant

NORA = Actor("Nora", "supervisor", "page")
SIGNED_AT = DAY_STARTS_AT + 12 * HOUR


@pytest.fixture(autouse=True)
def _plant(session: Session) -> None:
    write_plant(session)


def known(session: Session) -> Signatures:
    return signatures_of(session, [DAY_STARTS_AT])[DAY_STARTS_AT]


def outgoing(words: str | None = "all quiet", **more: object) -> SignatureFact:
    at = DAY_STARTS_AT + HOUR
    return SignatureFact.read(
        {"at": at.isoformat(), "side": "outgoing", "words": words, **more}, ZONE
    )


def incoming(session: Session, **more: object) -> SignatureFact:
    before = known(session).outgoing
    read = str(before.id) if before else None
    said = {"at": DAY_STARTS_AT.isoformat(), "side": "incoming", "having_read": read}
    return SignatureFact.read(said | more, ZONE)


def rows(session: Session) -> list[int]:
    return [
        session.execute(select(func.count()).select_from(table)).scalar_one()
        for table in (HandoverSignature, AuditRecord)
    ]


def test_both_sides_sign_in_turn_and_it_is_on_record(session: Session) -> None:
    assert known(session).state is Signed.NOT
    assert sign_shift(session, outgoing(), BY, SIGNED_AT).became is Became.CREATED
    assert known(session).state is Signed.HANDED_OVER
    assert sign_shift(session, incoming(session), NORA, SIGNED_AT).became is Became.CREATED
    found = known(session)
    assert found.state is Signed.TAKEN_OVER
    assert found.outgoing is not None
    assert found.incoming is not None
    assert (found.outgoing.signed_by, found.outgoing.words) == ("Olga", "all quiet")
    assert (found.incoming.signed_by, found.incoming.words) == ("Nora", None)
    assert broken_links(session) == []
    newest = select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
    assert session.execute(newest).scalar_one().action == "sign handover"


def test_signing_twice_changes_nothing(session: Session) -> None:
    sign_shift(session, outgoing(), BY, SIGNED_AT)
    before = rows(session)
    assert sign_shift(session, outgoing(), BY, SIGNED_AT + HOUR).became is Became.UNCHANGED
    assert rows(session) == before


@pytest.mark.parametrize("who", [BY, NORA])
def test_of_two_who_write_at_once_the_second_is_told_by_whom_it_was_signed(
    session: Session, who: Actor
) -> None:
    sign_shift(session, outgoing(), BY, SIGNED_AT)
    before = rows(session)
    with pytest.raises(Conflict, match="Olga has signed this side already") as problem:
        sign_shift(session, outgoing("other words"), who, SIGNED_AT)
    assert problem.value.field == "words"
    assert rows(session) == before


def test_the_same_person_does_not_sign_both_sides(session: Session) -> None:
    sign_shift(session, outgoing(), BY, SIGNED_AT)
    with pytest.raises(Conflict, match="somebody else of the incoming crew"):
        sign_shift(session, incoming(session), BY, SIGNED_AT)
    assert rows(session)[0] == 1


def test_the_incoming_crew_signs_what_it_has_read_and_after_the_other(session: Session) -> None:
    with pytest.raises(Conflict, match="outgoing crew has not signed"):
        sign_shift(session, incoming(session), NORA, SIGNED_AT)
    sign_shift(session, outgoing(), BY, SIGNED_AT)
    for read in (None, str(new_id())):
        with pytest.raises(Conflict, match="read what the outgoing crew") as problem:
            sign_shift(session, incoming(session, having_read=read), NORA, SIGNED_AT)
        assert problem.value.field == "having_read"
    later = {"at": (DAY_STARTS_AT - 12 * HOUR).isoformat(), "having_read": str(new_id())}
    with pytest.raises(Conflict, match="only the incoming crew"):
        sign_shift(session, outgoing(**later), BY, SIGNED_AT)


def test_a_shift_that_has_not_begun_and_a_used_id_are_refused(session: Session) -> None:
    with pytest.raises(Conflict, match="has not begun"):
        sign_shift(session, outgoing(), BY, DAY_STARTS_AT - HOUR)
    signature_id = str(new_id())
    sign_shift(session, outgoing(id=signature_id), BY, SIGNED_AT)
    night = {"at": (DAY_STARTS_AT - HOUR).isoformat(), "id": signature_id}
    with pytest.raises(Conflict, match="this id is another one"):
        sign_shift(session, outgoing(**night), BY, SIGNED_AT)
    with pytest.raises(BadFact, match="side: 'both' is not one of"):
        outgoing(side="both")


def test_the_page_is_kept_as_signed_and_what_comes_late_is_told(session: Session) -> None:
    log(session, "1-1", [DAY_STARTS_AT + HOUR], cans="2")
    sign_shift(session, outgoing(), BY, SIGNED_AT)
    signed = known(session)
    assert signed.outgoing is not None

    def late() -> str | None:
        plant = the_plant(session)
        page = shift_page(session, plant, DAY_STARTS_AT, SIGNED_AT + 48 * HOUR)
        return came_late(signed, page)

    assert late() is None
    log(session, "1-2", [DAY_STARTS_AT + n * HOUR for n in (2, 3, 4)], mark="late")
    told = late()
    assert told is not None
    assert "3 entries came late" in told
    shown = shown_page(session, signed.outgoing.id)
    assert sum(line["entries"] for line in shown["lines"]) == 1
    with pytest.raises(NotFound):
        shown_page(session, new_id())


def test_past_shifts_say_how_far_they_came(session: Session) -> None:
    sign_shift(session, outgoing(), BY, SIGNED_AT)
    log(session, "1-1", [DAY_STARTS_AT + HOUR], cans="2")
    found = past_shifts(
        session, the_plant(session), DAY_STARTS_AT + 13 * HOUR, 4, SIGNED_AT + 48 * HOUR
    )
    assert [(one.shift.shift, one.signatures.state, one.cans) for one in found] == [
        ("night", Signed.NOT, 0),
        ("day", Signed.HANDED_OVER, 2),
        ("night", Signed.NOT, 0),
        ("day", Signed.NOT, 0),
    ]
    assert found[0].shift.started_at - found[1].shift.started_at == timedelta(hours=12)


def test_a_plant_without_shifts_signs_nothing_and_lists_none(session: Session) -> None:
    plant = the_plant(session)
    without = replace(plant, rota=replace(plant.rota, shifts=()))
    assert past_shifts(session, without, DAY_STARTS_AT, 4, SIGNED_AT) == []


def test_sides_have_two_words() -> None:
    assert [*Side] == ["outgoing", "incoming"]
