"""What was found is kept once and sent from the outbox, whoever looks and whenever they end."""

import threading
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from tests.notices.subscribing import NOW, ZONE, asks, complaint, everything, find, minutes
from tracelog.audit import Actor, AuditRecord
from tracelog.db import new_id, reading, writing
from tracelog.notices.actions import end_subscription, send_again
from tracelog.notices.facts import Kind
from tracelog.notices.models import Notice, OutboxAttempt, OutboxMessage, Webhook
from tracelog.notices.outbox_actions import (
    Claimed,
    Ended,
    claim,
    conclude,
    keep_found,
    make_messages,
)
from tracelog.notices.queries import all_wanted, due_messages, webhooks
from tracelog.notices.rules import LEASE, MOST_ATTEMPTS, MOST_FAILURES
from tracelog.plant.queries import the_plant

WAYS = ("email", "webhook")
GOOD = Ended(accepted=True, answer="250 kept", duration_ms=5)
BAD = Ended(accepted=False, answer="451 later", duration_ms=5)


def claimed(engine: Engine, at: datetime = NOW) -> Claimed | None:
    """Claim what is due first."""
    with writing(engine) as session:
        ids = due_messages(session, at, WAYS, (), 10)
        return claim(session, ids[0], at, WAYS) if ids else None


def end(engine: Engine, one: Claimed, how: Ended, at: datetime = NOW) -> None:
    with writing(engine) as session:
        conclude(session, one, how, at, 0.5)


def test_what_is_found_twice_is_told_once(plant: Engine, sara: Actor) -> None:
    asks(plant, sara)
    assert find(plant, complaint(1)) == 1
    assert find(plant, complaint(1), complaint(2), at=NOW + minutes(1)) == 1
    notices, messages, _tries = everything(plant)
    assert [one.occasion for one in notices] == ["complaint 1", "complaint 2"]
    assert [one.message_id for one in notices] == [one.id for one in messages]


def test_two_who_find_the_same_at_once_tell_it_once(plant: Engine, sara: Actor) -> None:
    asks(plant, sara)
    asks(plant, sara, way="page", address=None)
    start, kept = threading.Barrier(4), list[int]()

    def look() -> None:
        start.wait()
        kept.append(find(plant, *(complaint(number) for number in range(5))))

    threads = [threading.Thread(target=look) for _worker in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(kept) == [0, 0, 0, 10]
    notices, messages, _tries = everything(plant)
    assert (len(notices), len(messages)) == (10, 5)


def test_the_table_itself_keeps_an_occasion_once(plant: Engine, sara: Actor) -> None:
    asks(plant, sara)
    find(plant, complaint(1))
    with Session(plant) as session:
        first = session.execute(select(Notice)).scalar_one()
        again = {name.name: getattr(first, name.name) for name in Notice.__table__.columns}
        session.add(Notice(**(again | {"id": new_id()})))
        with pytest.raises(IntegrityError, match=r"uq_notices|occasion"):
            session.flush()


def test_a_notice_and_its_message_are_kept_together_or_not_at_all(
    plant: Engine, sara: Actor
) -> None:
    asks(plant, sara)

    def die_while_keeping() -> None:
        with writing(plant) as session:
            pairs = [(who, complaint(1)) for who in all_wanted(session)]
            assert keep_found(session, pairs, the_plant(session).rota, NOW) == 1
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        die_while_keeping()
    assert everything(plant) == ([], [], [])
    assert find(plant, complaint(1)) == 1


def test_finding_and_sending_leave_no_audit_record(plant: Engine, sara: Actor) -> None:
    asks(plant, sara)

    def records() -> int:
        with reading(plant) as session:
            return session.execute(select(func.count()).select_from(AuditRecord)).scalar_one()

    before = records()
    find(plant, complaint(1))
    one = claimed(plant)
    assert one
    end(plant, one, GOOD)
    assert records() == before


# --- claims


def test_of_two_who_claim_a_message_one_gets_it(plant: Engine, sara: Actor) -> None:
    asks(plant, sara)
    find(plant, complaint(1))
    with reading(plant) as session:
        (key,) = due_messages(session, NOW, WAYS, (), 10)
    start, got = threading.Barrier(4), list[bool]()

    def take() -> None:
        start.wait()
        with writing(plant) as session:
            found = claim(session, key, NOW, WAYS)
        got.append(found is not None)

    threads = [threading.Thread(target=take) for _worker in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(got) == [False, False, False, True]
    assert len(everything(plant)[2]) == 1


def test_a_claim_is_over_when_its_lease_is_and_the_message_keeps_its_id(
    plant: Engine, sara: Actor
) -> None:
    asks(plant, sara)
    find(plant, complaint(1))
    first = claimed(plant)
    assert first
    assert claimed(plant, NOW + LEASE - minutes(1)) is None
    second = claimed(plant, NOW + LEASE)
    assert second
    assert (second.id, second.attempt) == (first.id, 2)
    assert second.claim_id != first.claim_id
    # Who comes back late notes its attempt, and takes nothing from who has it now.
    end(plant, first, BAD, NOW + LEASE)
    (message,) = everything(plant)[1]
    assert (message.state, message.claim_id) == ("claimed", second.claim_id)
    end(plant, second, GOOD, NOW + LEASE)
    (message,) = everything(plant)[1]
    assert (message.state, message.ended_at) == ("sent", NOW + LEASE)
    assert claimed(plant, NOW + timedelta(days=3)) is None


def test_an_attempt_is_on_record_before_it_is_made(plant: Engine, sara: Actor) -> None:
    asks(plant, sara)
    find(plant, complaint(1))
    one = claimed(plant)
    (attempt,) = everything(plant)[2]
    assert one
    assert (attempt.id, attempt.began_at, attempt.ended_at) == (one.claim_id, NOW, None)
    end(plant, one, BAD, NOW + minutes(1))
    (attempt,) = everything(plant)[2]
    assert (attempt.accepted, attempt.answer) == (False, "451 later")


# --- waits and ends


def test_failures_wait_longer_and_longer_until_it_is_given_up_and_shown(
    plant: Engine, sara: Actor
) -> None:
    asks(plant, sara)
    find(plant, complaint(1))
    moment, waits = NOW, []
    for _attempt in range(MOST_ATTEMPTS):
        one = claimed(plant, moment)
        assert one
        end(plant, one, BAD, moment)
        (message,) = everything(plant)[1]
        waits.append(message.next_at - moment)
        moment = message.next_at
    assert waits[:3] == [minutes(1), minutes(2), minutes(4)]
    assert (message.state, message.why) == ("given up", "451 later")
    assert claimed(plant, moment + timedelta(days=9)) is None
    assert len(everything(plant)[2]) == MOST_ATTEMPTS


def test_what_was_refused_for_good_is_given_up_at_once_and_can_be_sent_again(
    plant: Engine, sara: Actor
) -> None:
    asks(plant, sara)
    find(plant, complaint(1))
    one = claimed(plant)
    assert one
    end(plant, one, Ended(False, "550 unknown", 5, is_final=True))
    (message,) = everything(plant)[1]
    assert message.state == "given up"
    with writing(plant) as session:
        send_again(session, message.id, sara, NOW)
    again = claimed(plant)
    assert again
    assert (again.id, again.attempt) == (one.id, 2)


def test_a_subscription_that_ended_sends_nothing_more(plant: Engine, sara: Actor) -> None:
    key = asks(plant, sara).id
    held = asks(plant, sara, pace="hourly").id
    find(plant, complaint(1))
    with writing(plant) as session:
        end_subscription(session, key, sara, NOW)
        end_subscription(session, held, sara, NOW)
    assert claimed(plant) is None
    with writing(plant) as session:
        assert make_messages(session, NOW + minutes(90)) == 0
    (message,) = everything(plant)[1]
    assert (message.state, message.why) == ("given up", "the subscription was ended")


# --- gathered and kept back


def test_gathered_notices_come_in_one_message_when_their_hour_comes(
    plant: Engine, sara: Actor
) -> None:
    asks(plant, sara, pace="hourly")
    find(plant, complaint(1))
    find(plant, complaint(2), at=NOW + minutes(5))
    assert everything(plant)[1] == []
    for moment, made in ((29, 0), (30, 1), (31, 0)):
        with writing(plant) as session:
            assert make_messages(session, NOW + minutes(moment)) == made
    one = claimed(plant, NOW + minutes(31))
    assert one
    assert [notice.occasion for notice in one.notices] == ["complaint 1", "complaint 2"]


def test_what_is_found_for_an_hour_that_was_sent_meanwhile_is_sent_in_another_message(
    plant: Engine, sara: Actor
) -> None:
    asks(plant, sara, pace="hourly")
    find(plant, complaint(1))
    # Another worker found this before the hour, and keeps it only after the message was made.
    with writing(plant) as session:
        make_messages(session, NOW + minutes(30))
    find(plant, complaint(2), at=NOW + minutes(29))
    with writing(plant) as session:
        assert make_messages(session, NOW + minutes(31)) == 1
    notices, messages, _tries = everything(plant)
    assert len({one.message_id for one in notices}) == len(messages) == 2


def test_quiet_hours_keep_back_and_their_end_sends_all_in_one(
    plant: Engine, sara: Actor, at: Callable[[datetime], None]
) -> None:
    asks(plant, sara, quiet_from="22:00", quiet_to="06:00", kinds="complaint,hold")
    night = datetime(2026, 3, 4, 23, 30, tzinfo=ZONE)
    for number in (1, 2, 3):
        moment = night + minutes(number)
        find(plant, complaint(number, moment), at=moment)
    assert everything(plant)[1] == []
    morning = datetime(2026, 3, 5, 6, tzinfo=ZONE)
    with writing(plant) as session:
        assert make_messages(session, morning - minutes(1)) == 0
        assert make_messages(session, morning) == 1
    one = claimed(plant, morning)
    assert one
    assert len(one.notices) == 3


def test_who_changed_to_the_page_meanwhile_gets_no_message(plant: Engine, sara: Actor) -> None:
    from tracelog.notices.actions import change_subscription
    from tracelog.notices.facts import SubscriptionFact

    key = asks(plant, sara, pace="hourly").id
    find(plant, complaint(1))
    fact = SubscriptionFact.read({"kinds": "complaint", "way": "page"}, ZONE)
    with writing(plant) as session:
        change_subscription(session, key, fact, sara, NOW, "key")
        assert make_messages(session, NOW + minutes(40)) == 0
    ((notice,), messages, _tries) = everything(plant)
    assert (notice.send_at, messages) == (None, [])


# --- webhooks that do not answer


def test_a_webhook_that_fails_on_and_on_is_switched_off_and_its_owner_is_told_so(
    plant: Engine, sara: Actor
) -> None:
    asks(plant, sara, way="webhook", address="https://gone.example/in")
    find(plant, complaint(1), complaint(2))
    moment = NOW
    for _attempt in range(MOST_FAILURES):
        one = claimed(plant, moment)
        assert one
        end(plant, one, BAD, moment)
        moment += timedelta(days=2)
    with reading(plant) as session:
        (hook,) = webhooks(session)
    assert hook.off_at
    assert hook.off_why
    assert "20 attempts in a row failed: 451 later" in hook.off_why
    notices, messages, _tries = everything(plant)
    assert [one.kind for one in notices] == [Kind.COMPLAINT, Kind.COMPLAINT, "webhook off"]
    # What still waits is kept, and not tried.
    assert [one.state for one in messages] == ["waiting", "waiting"]
    with writing(plant) as session:
        for message in messages:
            assert claim(session, message.id, moment + timedelta(days=5), WAYS) is None


def test_one_good_answer_forgets_the_failures_before_it(plant: Engine, sara: Actor) -> None:
    asks(plant, sara, way="webhook", address="https://weak.example/in")
    find(plant, complaint(1))
    for moment, how in ((NOW, BAD), (NOW + minutes(5), BAD), (NOW + minutes(20), GOOD)):
        one = claimed(plant, moment)
        assert one
        end(plant, one, how, moment)
    with Session(plant) as session:
        assert session.execute(select(Webhook.failures)).scalar_one() == 0
        assert session.execute(select(OutboxMessage.state)).scalar_one() == "sent"
        assert session.execute(select(func.count(OutboxAttempt.id))).scalar_one() == 3
