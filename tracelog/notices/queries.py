"""Reads of notices: who wants what, what somebody was told, and what became of messages."""

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, time

from sqlalchemy import ColumnElement, and_, bindparam, func, or_, select
from sqlalchemy.orm import Session

from tracelog.bulk import pieces
from tracelog.defects.facts import Severity
from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.locales import ENGLISH, LANGUAGES
from tracelog.notices.facts import Kind, Pace, Way, clock_time
from tracelog.notices.models import Notice, OutboxAttempt, OutboxMessage, Subscription, Webhook
from tracelog.notices.rules import SAME_SIGNAL, Occasion, Wanted
from tracelog.paging import read_place, write_place
from tracelog.people.models import Account
from tracelog.plant.queries import Directory

MOST_SHOWN = 50
_KEYS_AT_ONCE = 400


@dataclass(frozen=True)
class WebhookView:
    """A webhook as it stands; `failures` are attempts that failed since the last good one."""

    id: uuid.UUID
    url: str
    owner: str
    secret_number: int
    secret_check: str
    failures: int
    off_at: datetime | None
    off_why: str | None
    created_at: datetime


@dataclass(frozen=True)
class SubscriptionView:
    """A subscription as its owner sees it; `place` is a machine, a line, or the plant."""

    wanted: Wanted
    place: str
    line: int | None
    machine: str | None
    webhook: WebhookView | None

    @property
    def target(self) -> str | None:
        """Where messages go; None: nowhere but the page."""
        return self.webhook.url if self.webhook else self.wanted.address


@dataclass(frozen=True)
class NoticeView:
    """One thing that somebody was told, however many of their subscriptions ask for it."""

    id: uuid.UUID
    kind: str
    place: str
    severity: str | None
    title: str
    text: str
    link: str
    happened_at: datetime
    found_at: datetime
    read_at: datetime | None
    occasion: str


@dataclass(frozen=True)
class NoticePage:
    """A page of notices, the last found first; `after`: where the next page begins."""

    notices: tuple[NoticeView, ...]
    after: str | None


@dataclass(frozen=True)
class AttemptView:
    """One attempt at a message; `ended_at` None: broken off, it may have arrived."""

    number: int
    began_at: datetime
    ended_at: datetime | None
    accepted: bool | None
    answer: str | None
    duration_ms: int | None


@dataclass(frozen=True)
class MessageView:
    """A message with its attempts and the notices in it."""

    id: uuid.UUID
    way: str
    address: str
    owner: str
    state: str
    attempts: int
    next_at: datetime
    made_at: datetime
    ended_at: datetime | None
    why: str | None
    titles: tuple[str, ...] = field(default=())
    tries: tuple[AttemptView, ...] = field(default=())


def as_wanted(row: Subscription) -> Wanted:
    """A subscription as decisions need it."""
    return Wanted(
        id=row.id,
        account_id=row.account_id,
        kinds=tuple(Kind(one) for one in row.kinds.split(",")),
        line_id=row.line_id,
        machine_id=row.machine_id,
        least_severity=Severity(row.least_severity) if row.least_severity else None,
        days_ahead=row.days_ahead,
        way=Way(row.way),
        address=row.address,
        webhook_id=row.webhook_id,
        pace=Pace(row.pace),
        daily_at=_time(row.daily_at),
        quiet_from=_time(row.quiet_from),
        quiet_to=_time(row.quiet_to),
        leaks_at_once=row.leaks_at_once,
        created_at=row.created_at,
    )


def _time(text: str | None) -> time | None:
    return clock_time(text) if text else None


def all_wanted(session: Session) -> list[Wanted]:
    """What everybody who can sign in asks for. One statement."""
    rows = session.execute(
        select(Subscription, Account.language)
        .join(Account, Account.id == Subscription.account_id)
        .where(Subscription.ended_at.is_(None), Account.active)
        .order_by(Subscription.id)
    )
    return [replace(as_wanted(row), language=language_for(row.way, own)) for row, own in rows]


def language_for(way: str, own: str | None) -> str:
    """In which language somebody is told: their own, but programs always in English."""
    if own is None or own not in LANGUAGES or way == Way.WEBHOOK.value:
        return ENGLISH
    return own


def told(
    session: Session, found: Collection[Occasion]
) -> dict[uuid.UUID, set[tuple[str, datetime]]]:
    """Key and instant of what each subscription was told, as far as it bears on some occasions."""
    known: dict[uuid.UUID, set[tuple[str, datetime]]] = {}
    columns = (Notice.subscription_id, Notice.occasion, Notice.happened_at)
    for piece in pieces(dict.fromkeys(one.key for one in found), _KEYS_AT_ONCE):
        for row in session.execute(select(*columns).where(Notice.occasion.in_(piece))):
            known.setdefault(row[0], set()).add((row[1], row[2]))
    kinds = {one.kind.value for one in found if one.alike is not None}
    if kinds:
        first = min(one.happened_at for one in found if one.alike is not None)
        near = select(*columns).where(
            Notice.kind.in_(kinds), Notice.happened_at >= first - SAME_SIGNAL
        )
        for row in session.execute(near):
            known.setdefault(row[0], set()).add((row[1], row[2]))
    return known


def subscriptions_of(
    session: Session, account_id: uuid.UUID, places: Directory
) -> list[SubscriptionView]:
    """What one person asks for, in the order in which they said so. Two statements."""
    rows = session.execute(
        select(Subscription)
        .where(Subscription.account_id == account_id, Subscription.ended_at.is_(None))
        .order_by(Subscription.id)
    ).scalars()
    known = {one.id: one for one in webhooks(session, account_id)}
    found = []
    for row in rows:
        machine = places.by_id[row.machine_id].text if row.machine_id else None
        line = places.line_numbers[row.line_id] if row.line_id else None
        place = machine or (_("line %(line)d", line=line) if line else _("the whole plant"))
        webhook = known[row.webhook_id] if row.webhook_id else None
        found.append(SubscriptionView(as_wanted(row), place, line, machine, webhook))
    return found


def subscription_of(
    session: Session, account_id: uuid.UUID | None, subscription_id: uuid.UUID
) -> Subscription:
    """A subscription that one person has.

    Raises:
        NotFound: they have none of that id, or ended it.
    """
    row = session.execute(
        select(Subscription).where(
            Subscription.id == subscription_id,
            Subscription.account_id == account_id,
            Subscription.ended_at.is_(None),
        )
    ).scalar_one_or_none()
    if row is None:
        raise NotFound(_("you have no subscription of that id; it may have been ended"))
    return row


def webhooks(session: Session, account_id: uuid.UUID | None = None) -> list[WebhookView]:
    """Webhooks of one person, or of all who have one. One statement."""
    asked = select(Webhook, Account.name).join(Account, Account.id == Webhook.account_id)
    if account_id is not None:
        asked = asked.where(Webhook.account_id == account_id)
    return [
        WebhookView(
            *(row.id, row.url, owner, row.secret_number, row.secret_check, row.failures),
            *(row.off_at, row.off_why, row.created_at),
        )
        for row, owner in session.execute(asked.order_by(Account.name, Webhook.url))
    ]


# Put together once, since every page asks it.
_UNREAD = select(func.count(Notice.occasion.distinct())).where(
    Notice.account_id == bindparam("account"), Notice.read_at.is_(None)
)


def unread(session: Session, account_id: uuid.UUID) -> int:
    """How many things somebody has been told and not read. One statement."""
    return session.execute(_UNREAD, {"account": account_id}).scalar_one()


def notices_of(
    session: Session,
    account_id: uuid.UUID,
    after: str | None = None,
    *,
    only_unread: bool = False,
) -> NoticePage:
    """What somebody was told, the last found first. One statement.

    Where several subscriptions of theirs ask for the same, it stands there once.

    Raises:
        TracelogError: `after` is not the end of an earlier page.
    """
    other = Notice.__table__.alias("earlier")
    is_first = ~(
        select(other.c.id)
        .where(
            other.c.account_id == Notice.account_id,
            other.c.occasion == Notice.occasion,
            other.c.id < Notice.id,
        )
        .exists()
    )
    asked = select(Notice).where(Notice.account_id == account_id, is_first)
    if only_unread:
        asked = asked.where(Notice.read_at.is_(None))
    if after is not None:
        moment, key = read_place(after)
        asked = asked.where(
            or_(Notice.found_at < moment, and_(Notice.found_at == moment, Notice.id < key))
        )
    ordered = asked.order_by(Notice.found_at.desc(), Notice.id.desc()).limit(MOST_SHOWN + 1)
    rows = session.execute(ordered).scalars().all()
    shown = rows[:MOST_SHOWN]
    further = write_place(shown[-1].found_at, shown[-1].id) if len(rows) > MOST_SHOWN else None
    return NoticePage(tuple(_notice(row) for row in shown), further)


def _notice(row: Notice) -> NoticeView:
    return NoticeView(
        *(row.id, row.kind, row.place, row.severity, row.title, row.text, row.link),
        *(row.happened_at, row.found_at, row.read_at, row.occasion),
    )


def notices_in(session: Session, message_id: uuid.UUID) -> list[NoticeView]:
    """The notices of one message, in order of time. One statement."""
    rows = session.execute(
        select(Notice)
        .where(Notice.message_id == message_id)
        .order_by(Notice.happened_at, Notice.id)
    ).scalars()
    return [_notice(row) for row in rows]


def due_messages(
    session: Session,
    now: datetime,
    ways: Collection[str],
    but: Collection[uuid.UUID],
    most: int,
) -> list[uuid.UUID]:
    """Messages that may be sent now, the longest due first. One statement.

    Args:
        session: an open session.
        now: UTC.
        ways: by which ways the caller can send.
        but: none to these webhooks.
        most: how many.
    """
    return list(
        session.execute(
            select(OutboxMessage.id)
            .where(
                claimable(now),
                OutboxMessage.way.in_(ways),
                or_(OutboxMessage.webhook_id.is_(None), OutboxMessage.webhook_id.not_in(but)),
            )
            .order_by(OutboxMessage.next_at, OutboxMessage.id)
            .limit(most)
        ).scalars()
    )


def claimable(now: datetime) -> ColumnElement[bool]:
    """The condition under which a message may be claimed: due, or its last claim has run out."""
    return or_(
        and_(OutboxMessage.state == "waiting", OutboxMessage.next_at <= now),
        and_(OutboxMessage.state == "claimed", OutboxMessage.lease_until <= now),
    )


def has_due_notices(session: Session, now: datetime) -> bool:
    """Whether notices have come to their time and are in no message yet. One statement."""
    asked = select(Notice.id).where(Notice.send_at <= now, Notice.message_id.is_(None)).limit(1)
    return session.execute(asked).first() is not None


def messages(
    session: Session, state: str | None = None, most: int = 2 * MOST_SHOWN
) -> list[MessageView]:
    """The log of messages, the last made first. Three statements.

    Args:
        session: an open session.
        state: only those that stand so; None: all.
        most: how many.
    """
    asked = (
        select(OutboxMessage, Account.name)
        .join(Subscription, Subscription.id == OutboxMessage.subscription_id)
        .join(Account, Account.id == Subscription.account_id)
        .order_by(OutboxMessage.made_at.desc(), OutboxMessage.id.desc())
        .limit(most)
    )
    if state is not None:
        asked = asked.where(OutboxMessage.state == state)
    rows = session.execute(asked).all()
    ids = [row.id for row, _owner in rows]
    titles, tries = _titles(session, ids), _tries(session, ids)
    return [
        MessageView(
            *(row.id, row.way, row.address, owner, row.state, row.attempts, row.next_at),
            *(row.made_at, row.ended_at, row.why),
            tuple(titles.get(row.id, ())),
            tuple(tries.get(row.id, ())),
        )
        for row, owner in rows
    ]


def _titles(session: Session, ids: Sequence[uuid.UUID]) -> dict[uuid.UUID, list[str]]:
    found: dict[uuid.UUID, list[str]] = {}
    rows = session.execute(
        select(Notice.message_id, Notice.title)
        .where(Notice.message_id.in_(ids))
        .order_by(Notice.happened_at, Notice.id)
    )
    for message, title in rows:
        if message is not None:
            found.setdefault(message, []).append(title)
    return found


def _tries(session: Session, ids: Sequence[uuid.UUID]) -> dict[uuid.UUID, list[AttemptView]]:
    found: dict[uuid.UUID, list[AttemptView]] = {}
    rows = session.execute(
        select(OutboxAttempt)
        .where(OutboxAttempt.message_id.in_(ids))
        .order_by(OutboxAttempt.number)
    ).scalars()
    for row in rows:
        found.setdefault(row.message_id, []).append(
            AttemptView(
                *(row.number, row.began_at, row.ended_at, row.accepted),
                *(row.answer, row.duration_ms),
            )
        )
    return found
