"""Writes that people make: subscriptions, webhooks, a test message, sending again.

Each leaves one audit record. Finding news and sending it are no acts of a person: what they did is
told by the notices, messages and attempts themselves (`outbox_actions`). That somebody read a
notice is theirs alone, and leaves no record either.
"""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, insert, select, update
from sqlalchemy.orm import Session

from tracelog.audit import Actor, Subject, append, take_turn
from tracelog.db import new_id
from tracelog.errors import Conflict, NotAllowed, NotFound, TracelogError
from tracelog.language import _
from tracelog.notices.facts import SubscriptionFact, Way, write_time
from tracelog.notices.models import Notice, OutboxMessage, Subscription, Webhook
from tracelog.notices.queries import subscription_of
from tracelog.notices.sending.signatures import secret_check, webhook_secret
from tracelog.notices.sending.targets import read_target
from tracelog.outcomes import CHANGED, CREATED, UNCHANGED, Outcome
from tracelog.people.permissions import may_act
from tracelog.plant.queries import directory, the_plant

# So many subscriptions one person may have, and so many waits lie between their test messages.
MOST_SUBSCRIPTIONS = 40
TEST_EVERY = timedelta(minutes=1)
_SUBJECT = "subscription"


@dataclass(frozen=True)
class Subscribed:
    """What became of a subscription; `secret`: of a webhook that is new, shown this once."""

    id: uuid.UUID
    outcome: Outcome
    secret: str | None = None


def subscribe(
    session: Session, fact: SubscriptionFact, actor: Actor, now: datetime, key: str
) -> Subscribed:
    """Have a person told.

    Args:
        session: an open session that writes.
        fact: what they ask for.
        actor: who asks; it is told to them.
        now: UTC; what happened before is not told.
        key: the installation's secret key, from which a webhook's secret comes.

    Raises:
        TracelogError: the address leads nowhere, or the plant has no shifts.
        NotAllowed: a webhook, and their role has none.
        Conflict: the id is another subscription's, or there are too many.
    """
    take_turn(session)
    account_id = _account(actor)
    if fact.id is not None:
        known = session.get(Subscription, fact.id)
        if known is not None:
            return _known(session, known, fact, account_id)
    _limit(session, account_id)
    subscription_id = fact.id or new_id()
    values = _values(session, fact)
    audit_id = append(
        session, actor, now, "subscribe", Subject(_SUBJECT, str(subscription_id)), None, _told(fact)
    )
    webhook_id, secret = _webhook(session, fact, account_id, actor, audit_id, now, key)
    session.execute(
        insert(Subscription).values(
            id=subscription_id,
            account_id=account_id,
            **values,
            webhook_id=webhook_id,
            created_at=now,
            audit_id=audit_id,
        )
    )
    return Subscribed(subscription_id, CREATED, secret)


def change_subscription(
    session: Session,
    subscription_id: uuid.UUID,
    fact: SubscriptionFact,
    actor: Actor,
    now: datetime,
    key: str,
) -> Subscribed:
    """Have a person told something else, or by another way; messages made already go as they are.

    Raises:
        NotFound: they have no such subscription.
        TracelogError, NotAllowed: as `subscribe`.
    """
    take_turn(session)
    account_id = _account(actor)
    row = subscription_of(session, account_id, subscription_id)
    before, after = _said(session, row), _told(fact)
    if before == after:
        return Subscribed(row.id, UNCHANGED)
    values = _values(session, fact)
    audit_id = append(
        session, actor, now, "change subscription", Subject(_SUBJECT, str(row.id)), before, after
    )
    webhook_id, secret = _webhook(session, fact, account_id, actor, audit_id, now, key)
    session.execute(
        update(Subscription)
        .where(Subscription.id == row.id)
        .values(**values, webhook_id=webhook_id, audit_id=audit_id)
    )
    return Subscribed(row.id, CHANGED, secret)


def end_subscription(
    session: Session, subscription_id: uuid.UUID, actor: Actor, now: datetime
) -> None:
    """End a subscription; what of it has not been sent is not sent any more.

    Raises:
        NotFound: they have no such subscription.
    """
    take_turn(session)
    row = subscription_of(session, _account(actor), subscription_id)
    subject = Subject(_SUBJECT, str(row.id))
    append(session, actor, now, "end subscription", subject, _said(session, row), None)
    session.execute(update(Subscription).where(Subscription.id == row.id).values(ended_at=now))


def send_test(session: Session, subscription_id: uuid.UUID, actor: Actor, now: datetime) -> None:
    """Have a test notice told by the way of a subscription, like any other but at once.

    Raises:
        NotFound: they have no such subscription.
        Conflict: they asked for one just now.
    """
    take_turn(session)
    row = subscription_of(session, _account(actor), subscription_id)
    just_now = select(Notice.id).where(
        Notice.subscription_id == row.id,
        Notice.kind == "test",
        Notice.found_at > now - TEST_EVERY,
    )
    if session.execute(just_now.limit(1)).first() is not None:
        raise Conflict(_("a test was asked for just now; wait a minute before the next"))
    notice_id = new_id()
    append(session, actor, now, "ask for test notice", Subject(_SUBJECT, str(row.id)))
    session.execute(
        insert(Notice).values(
            id=notice_id,
            subscription_id=row.id,
            account_id=row.account_id,
            occasion=f"test {notice_id}",
            kind="test",
            place=_("the plant"),
            title=_("Test notice"),
            text=_("You asked for this to see whether notices reach you."),
            link="/notices",
            happened_at=now,
            found_at=now,
            send_at=None if row.way == Way.PAGE.value else now,
        )
    )


def renew_secret(
    session: Session, webhook_id: uuid.UUID, actor: Actor, now: datetime, key: str
) -> str:
    """Give one of one's own webhooks another secret; the old one counts no more.

    Returns:
        The secret, shown this once.

    Raises:
        NotFound: they have no such webhook.
    """
    take_turn(session)
    row = session.get(Webhook, webhook_id)
    if row is None or row.account_id != _account(actor):
        raise NotFound(_("you have no webhook of that id"))
    number = row.secret_number + 1
    secret = webhook_secret(key, str(row.id), number)
    append(session, actor, now, "renew webhook secret", Subject("webhook", row.url[:200]))
    session.execute(
        update(Webhook)
        .where(Webhook.id == row.id)
        .values(secret_number=number, secret_check=secret_check(secret))
    )
    return secret


def switch_webhook(
    session: Session, webhook_id: uuid.UUID, actor: Actor, now: datetime, *, on: bool
) -> None:
    """Let messages go to a webhook again, or not; those that wait are kept meanwhile.

    Raises:
        NotFound: there is no such webhook.
    """
    take_turn(session)
    row = session.get(Webhook, webhook_id)
    if row is None:
        raise NotFound(_("there is no such webhook"))
    if (row.off_at is None) == on:
        return
    action = "switch webhook on" if on else "switch webhook off"
    append(session, actor, now, action, Subject("webhook", row.url[:200]))
    why = None if on else _("switched off by %(who)s", who=actor.name)
    session.execute(
        update(Webhook)
        .where(Webhook.id == row.id)
        .values(off_at=None if on else now, off_why=why, failures=0)
    )


def send_again(session: Session, message_id: uuid.UUID, actor: Actor, now: datetime) -> None:
    """Try a message again now, under the same id, whatever became of it.

    Raises:
        NotFound: there is no such message.
        Conflict: it is being sent at this moment.
    """
    take_turn(session)
    row = session.get(OutboxMessage, message_id)
    if row is None:
        raise NotFound(_("there is no such message"))
    if row.state == "claimed":
        raise Conflict(_("it is being sent now; look again in a few minutes"))
    before = {"state": row.state, "attempts": row.attempts}
    append(session, actor, now, "send again", Subject("message", str(row.id)), before, None)
    session.execute(
        update(OutboxMessage)
        .where(OutboxMessage.id == row.id)
        .values(state="waiting", attempts=0, next_at=now, ended_at=None, why=None)
    )


def mark_read(
    session: Session, actor: Actor, now: datetime, notice_id: uuid.UUID | None = None
) -> int:
    """Note that somebody read a notice, or all that they have; returns how many were unread."""
    wanted = update(Notice).where(
        Notice.account_id == _account(actor), Notice.read_at.is_(None), Notice.found_at <= now
    )
    if notice_id is not None:
        known = select(Notice.occasion).where(Notice.id == notice_id).scalar_subquery()
        wanted = wanted.where(Notice.occasion == known)
    return int(session.execute(wanted.values(read_at=now)).rowcount)  # type: ignore[attr-defined]


def _account(actor: Actor) -> uuid.UUID:
    if actor.account_id is None:
        raise NotAllowed(_("notices are for people with an account; sign in with one"))
    return actor.account_id


def _limit(session: Session, account_id: uuid.UUID) -> None:
    count = session.execute(
        select(func.count())
        .select_from(Subscription)
        .where(Subscription.account_id == account_id, Subscription.ended_at.is_(None))
    ).scalar_one()
    if count >= MOST_SUBSCRIPTIONS:
        raise Conflict(
            _("you have %(count)d subscriptions, which is the most; end one first", count=count)
        )


def _known(
    session: Session, known: Subscription, fact: SubscriptionFact, account_id: uuid.UUID
) -> Subscribed:
    """What was sent twice."""
    is_same = known.account_id == account_id and _said(session, known) == _told(fact)
    if not is_same or known.ended_at is not None:
        raise Conflict(_("a subscription with this id is another one; use a new id"), "id")
    return Subscribed(known.id, UNCHANGED)


def _values(session: Session, fact: SubscriptionFact) -> dict[str, Any]:
    places = directory(session)
    if fact.pace.value == "shift" and not the_plant(session).rota.shifts:
        raise TracelogError(
            _("the plant has no shifts; choose every hour, or a time of the day"), "pace"
        )
    return {
        "kinds": ",".join(kind.value for kind in fact.kinds),
        "line_id": places.line(fact.line) if fact.line is not None else None,
        "machine_id": places.machine_named(fact.machine).id if fact.machine else None,
        "least_severity": fact.least_severity.value if fact.least_severity else None,
        "days_ahead": fact.days_ahead,
        "way": fact.way.value,
        "address": fact.address if fact.way is Way.EMAIL else None,
        "pace": fact.pace.value,
        "daily_at": write_time(fact.daily_at),
        "quiet_from": write_time(fact.quiet_from),
        "quiet_to": write_time(fact.quiet_to),
        "leaks_at_once": fact.leaks_at_once,
    }


def _webhook(
    session: Session,
    fact: SubscriptionFact,
    account_id: uuid.UUID,
    actor: Actor,
    audit_id: uuid.UUID,
    now: datetime,
    key: str,
) -> tuple[uuid.UUID | None, str | None]:
    """The webhook of a subscription, and its secret where it is new."""
    if fact.way is not Way.WEBHOOK or fact.address is None:
        return None, None
    if not may_act(actor, "subscribe webhook"):
        raise NotAllowed(
            _("your role has no webhooks; ask a supervisor or an administrator"), "way"
        )
    read_target(fact.address)
    known = session.execute(
        select(Webhook.id).where(Webhook.account_id == account_id, Webhook.url == fact.address)
    ).scalar_one_or_none()
    if known is not None:
        return known, None
    webhook_id = new_id()
    secret = webhook_secret(key, str(webhook_id), 1)
    session.execute(
        insert(Webhook).values(
            id=webhook_id,
            account_id=account_id,
            url=fact.address,
            secret_number=1,
            secret_check=secret_check(secret),
            failures=0,
            created_at=now,
            audit_id=audit_id,
        )
    )
    return webhook_id, secret


def _told(fact: SubscriptionFact) -> dict[str, Any]:
    """A subscription as the audit trail tells it."""
    return {
        "kinds": [kind.value for kind in fact.kinds],
        "line": fact.line,
        "machine": fact.machine,
        "least_severity": fact.least_severity.value if fact.least_severity else None,
        "days_ahead": fact.days_ahead,
        "way": fact.way.value,
        "address": fact.address,
        "pace": fact.pace.value,
        "daily_at": write_time(fact.daily_at),
        "quiet": [write_time(fact.quiet_from), write_time(fact.quiet_to)],
        "leaks_at_once": fact.leaks_at_once,
    }


def _said(session: Session, row: Subscription) -> Mapping[str, Any]:
    """The same of a subscription that is kept."""
    places = directory(session)
    webhook = session.get(Webhook, row.webhook_id) if row.webhook_id else None
    return {
        "kinds": row.kinds.split(","),
        "line": places.line_numbers[row.line_id] if row.line_id else None,
        "machine": places.by_id[row.machine_id].text if row.machine_id else None,
        "least_severity": row.least_severity,
        "days_ahead": row.days_ahead,
        "way": row.way,
        "address": webhook.url if webhook else row.address,
        "pace": row.pace,
        "daily_at": row.daily_at,
        "quiet": [row.quiet_from, row.quiet_to],
        "leaks_at_once": row.leaks_at_once,
    }
