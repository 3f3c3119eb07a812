"""Writes of what was found and sent. No acts of a person, so they leave no audit record.

A notice is kept in the transaction that found it, and in the same one it either gets its message
or the instant at which it gets one; so whatever was found is sent, whenever the program ends. A
message is claimed for a while before it is sent: who claims it has it alone, and who dies while
sending loses it when that while is over. What was accepted at the other end by somebody who died
before noting it is therefore sent once more, under the same id.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import insert, or_, select, update
from sqlalchemy.orm import Session

from tracelog.audit import take_turn
from tracelog.bulk import insert_rows
from tracelog.db import new_id
from tracelog.language import _
from tracelog.locales import ENGLISH
from tracelog.notices.models import Notice, OutboxAttempt, OutboxMessage, Subscription, Webhook
from tracelog.notices.queries import NoticeView, claimable, language_for, notices_in, told
from tracelog.notices.rules import (
    LEASE,
    MOST_FAILURES,
    Occasion,
    Wanted,
    send_at,
    wait_after,
    was_told,
)
from tracelog.people.models import Account
from tracelog.plant.rules import ShiftRota

# What is still gathered for a message is at most so much; the rest comes in the next one.
MOST_IN_MESSAGE = 200


@dataclass(frozen=True)
class Claimed:
    """A message that somebody has alone for a while, with all that it takes to send it.

    `secret_number` and `secret_check` are of its webhook; `attempt` counts from 1; `language` is
    that of the person.
    """

    id: uuid.UUID
    claim_id: uuid.UUID
    way: str
    address: str
    attempt: int
    made_at: datetime
    notices: tuple[NoticeView, ...]
    webhook_id: uuid.UUID | None = None
    secret_number: int = 0
    secret_check: str = ""
    language: str = ENGLISH


@dataclass(frozen=True)
class Ended:
    """How an attempt ended: what was answered, in words, and whether another makes sense."""

    accepted: bool
    answer: str
    duration_ms: int
    is_final: bool = False


def keep_found(
    session: Session, found: Sequence[tuple[Wanted, Occasion]], rota: ShiftRota, now: datetime
) -> int:
    """Keep what subscriptions ask for and were not told yet, with the messages that are due.

    Two that find the same at once wait for each other; the second finds it told.

    Args:
        session: an open session that writes.
        found: subscriptions with what they ask for.
        rota: the plant's shifts, and its zone.
        now: UTC.

    Returns:
        How many notices are new.
    """
    take_turn(session)
    known = told(session, [one for _wanted, one in found])
    rows = []
    for wanted, one in found:
        had = known.setdefault(wanted.id, set())
        if was_told(one, had):
            continue
        had.add((one.key, one.happened_at))
        rows.append(
            {
                "id": new_id(),
                "subscription_id": wanted.id,
                "account_id": wanted.account_id,
                "occasion": one.key,
                "kind": one.kind.value,
                "place": one.place,
                "severity": one.severity.value if one.severity else None,
                "title": one.title,
                "text": one.text,
                "link": one.link,
                "happened_at": one.happened_at,
                "found_at": now,
                "send_at": send_at(wanted, one, now, rota),
            }
        )
    insert_rows(session, Notice, rows)
    make_messages(session, now)
    return len(rows)


def make_messages(session: Session, now: datetime) -> int:
    """Put notices whose time has come into messages: those of one subscription into one.

    What is told at once and is not held back has a message of its own.

    Args:
        session: an open session that writes.
        now: UTC.

    Returns:
        How many messages were made.
    """
    take_turn(session)
    due = session.execute(
        select(Notice.id, Notice.send_at, Notice.found_at, Subscription, Webhook.url)
        .join(Subscription, Subscription.id == Notice.subscription_id)
        .outerjoin(Webhook, Webhook.id == Subscription.webhook_id)
        .where(Notice.send_at <= now, Notice.message_id.is_(None), Subscription.ended_at.is_(None))
        .order_by(Notice.send_at, Notice.id)
    ).all()
    gathered: dict[tuple[uuid.UUID, int], list[uuid.UUID]] = {}
    made_for: dict[tuple[uuid.UUID, int], tuple[Subscription, str | None]] = {}
    alone = 0
    counts: dict[uuid.UUID, int] = {}
    for notice_id, sent_at, found_at, subscription, url in due:
        if sent_at == found_at:
            alone += 1
            place = (subscription.id, -alone)
        else:
            count = counts[subscription.id] = counts.get(subscription.id, 0) + 1
            place = (subscription.id, (count - 1) // MOST_IN_MESSAGE)
        gathered.setdefault(place, []).append(notice_id)
        made_for[place] = (subscription, url)
    made = 0
    for place, notice_ids in gathered.items():
        subscription, hook_url = made_for[place]
        address = hook_url or subscription.address
        if address is None:
            # It was changed to the page since: there it stands.
            values: dict[str, object] = {"send_at": None}
        else:
            message_id = new_id()
            session.execute(
                insert(OutboxMessage).values(
                    id=message_id,
                    subscription_id=subscription.id,
                    way=subscription.way,
                    address=address,
                    webhook_id=subscription.webhook_id,
                    state="waiting",
                    attempts=0,
                    next_at=now,
                    made_at=now,
                )
            )
            values = {"message_id": message_id}
            made += 1
        session.execute(update(Notice).where(Notice.id.in_(notice_ids)).values(**values))
    return made


def claim(
    session: Session, message_id: uuid.UUID, now: datetime, ways: Sequence[str]
) -> Claimed | None:
    """Have a message alone for a while, and note that an attempt begins.

    The one statement that claims looks at the state itself, so that of two who try one gets it.

    Args:
        session: an open session that writes.
        message_id: which.
        now: UTC.
        ways: by which ways the caller can send.

    Returns:
        None: another has it, it is not due, or it is not to be sent any more.
    """
    claim_id = new_id()
    off = select(Webhook.id).where(Webhook.off_at.is_not(None))
    done = session.execute(
        update(OutboxMessage)
        .where(
            OutboxMessage.id == message_id,
            OutboxMessage.way.in_(ways),
            or_(OutboxMessage.webhook_id.is_(None), OutboxMessage.webhook_id.not_in(off)),
            claimable(now),
        )
        .values(
            state="claimed",
            claim_id=claim_id,
            lease_until=now + LEASE,
            attempts=OutboxMessage.attempts + 1,
        )
        .execution_options(synchronize_session=False)
    )
    if done.rowcount != 1:  # type: ignore[attr-defined]
        return None
    columns = (Subscription.ended_at, Webhook.secret_number, Webhook.secret_check)
    row, ended_at, number_of_secret, check, own = session.execute(
        select(OutboxMessage, *columns, Account.language)
        .join(Subscription, Subscription.id == OutboxMessage.subscription_id)
        .join(Account, Account.id == Subscription.account_id)
        .outerjoin(Webhook, Webhook.id == OutboxMessage.webhook_id)
        .where(OutboxMessage.id == message_id)
        .execution_options(populate_existing=True)
    ).one()
    if ended_at is not None:
        why = _("the subscription was ended")
        session.execute(
            update(OutboxMessage)
            .where(OutboxMessage.id == message_id)
            .values(state="given up", ended_at=now, why=why, claim_id=None, lease_until=None)
        )
        return None
    number = session.execute(
        select(OutboxAttempt.number)
        .where(OutboxAttempt.message_id == message_id)
        .order_by(OutboxAttempt.number.desc())
        .limit(1)
    ).scalar_one_or_none()
    session.execute(
        insert(OutboxAttempt).values(
            id=claim_id, message_id=message_id, number=(number or 0) + 1, began_at=now
        )
    )
    return Claimed(
        *(row.id, claim_id, row.way, row.address, (number or 0) + 1, row.made_at),
        tuple(notices_in(session, message_id)),
        row.webhook_id,
        number_of_secret or 0,
        check or "",
        language_for(row.way, own),
    )


def conclude(session: Session, claimed: Claimed, ended: Ended, now: datetime, draw: float) -> None:
    """Note how an attempt ended, and what comes of it.

    If the claim ran out meanwhile and another has the message, only the attempt is noted.

    Args:
        session: an open session that writes.
        claimed: what was tried.
        ended: how it ended.
        now: UTC.
        draw: a random number from 0 to 1, for the wait until the next attempt.
    """
    session.execute(
        update(OutboxAttempt)
        .where(OutboxAttempt.id == claimed.claim_id)
        .values(
            ended_at=now,
            accepted=ended.accepted,
            answer=ended.answer,
            duration_ms=ended.duration_ms,
        )
    )
    if claimed.webhook_id is not None:
        _count_failures(session, claimed.webhook_id, ended, now)
    attempts = session.execute(
        select(OutboxMessage.attempts).where(OutboxMessage.id == claimed.id)
    ).scalar_one()
    wait = None if ended.is_final else wait_after(attempts, draw)
    if ended.accepted:
        values: dict[str, object] = {"state": "sent", "ended_at": now, "why": None}
    elif wait is None:
        values = {"state": "given up", "ended_at": now, "why": ended.answer}
    else:
        values = {"state": "waiting", "next_at": now + wait, "why": ended.answer}
    session.execute(
        update(OutboxMessage)
        .where(OutboxMessage.id == claimed.id, OutboxMessage.claim_id == claimed.claim_id)
        .values(**values, claim_id=None, lease_until=None)
    )


def _count_failures(session: Session, webhook_id: uuid.UUID, ended: Ended, now: datetime) -> None:
    """Count attempts that failed in a row; with too many, switch the webhook off and say so."""
    row = session.execute(
        select(Webhook).where(Webhook.id == webhook_id).with_for_update()
    ).scalar_one()
    failures = 0 if ended.accepted else row.failures + 1
    session.execute(update(Webhook).where(Webhook.id == webhook_id).values(failures=failures))
    if failures < MOST_FAILURES or row.off_at is not None:
        return
    why = _("%(count)d attempts in a row failed: %(why)s", count=failures, why=ended.answer)
    session.execute(update(Webhook).where(Webhook.id == webhook_id).values(off_at=now, off_why=why))
    subscription_id = session.execute(
        select(Subscription.id)
        .where(Subscription.webhook_id == webhook_id)
        .order_by(Subscription.id)
        .limit(1)
    ).scalar_one()
    notice_id = new_id()
    session.execute(
        insert(Notice).values(
            id=notice_id,
            subscription_id=subscription_id,
            account_id=row.account_id,
            occasion=f"webhook off {notice_id}",
            kind="webhook off",
            place=_("the plant"),
            title=_("Your webhook was switched off"),
            text=why,
            link="/notices/subscriptions",
            happened_at=now,
            found_at=now,
        )
    )
