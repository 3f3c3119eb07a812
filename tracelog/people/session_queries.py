"""Reads of sessions."""

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session

from tracelog.people.models import Account, KnownDevice, OpenSession, Tablet
from tracelog.people.queries import ACCOUNT_COLUMNS, AccountView
from tracelog.people.session_rules import IDLE, LONGEST, NOTE_EVERY, is_over, kind_of_device


@dataclass(frozen=True)
class SessionView:
    """One session that goes on: who, with what, from where, since when; `tablet` None: their own.

    `way`: ``password``, ``pin`` or ``provider``. Instants UTC.
    """

    id: uuid.UUID
    way: str
    tablet: str | None
    tablet_idle_minutes: int | None
    address: str
    browser: str
    began_at: datetime
    seen_at: datetime

    @property
    def idle(self) -> timedelta:
        """How long nothing may happen."""
        minutes = self.tablet_idle_minutes
        return IDLE if minutes is None else timedelta(minutes=minutes)

    @property
    def device(self) -> str:
        """``phone``, ``tablet`` or ``computer``."""
        return kind_of_device(self.browser)


@dataclass(frozen=True)
class SessionHolder:
    """The session of a cookie that has not been ended, and whose it is."""

    id: uuid.UUID
    tablet_id: uuid.UUID | None
    began_at: datetime
    seen_at: datetime
    account: AccountView


# Put together once, since every page asks it.
_HOLDER = (
    select(
        OpenSession.id,
        OpenSession.tablet_id,
        OpenSession.began_at,
        OpenSession.seen_at,
        *ACCOUNT_COLUMNS,
    )
    .join(Account, Account.id == OpenSession.account_id)
    .where(
        OpenSession.key_hash == bindparam("hashed"),
        OpenSession.ended_at.is_(None),
        OpenSession.epoch == Account.session_epoch,
        Account.active,
    )
)


def session_holder(session: Session, hashed: str) -> SessionHolder | None:
    """The session whose key has that hash, if nobody has ended it. One statement."""
    row: Any = session.execute(_HOLDER, {"hashed": hashed}).one_or_none()
    return SessionHolder(row[0], row[1], row[2], row[3], AccountView(*row[4:])) if row else None


def sessions_of(session: Session, account_id: uuid.UUID, now: datetime) -> list[SessionView]:
    """Sessions of one account that go on, the last used first. One statement.

    At a tablet one may be listed for some minutes after it has locked.
    """
    rows = session.execute(
        select(
            OpenSession.id,
            OpenSession.way,
            Tablet.name,
            Tablet.idle_minutes,
            OpenSession.address,
            OpenSession.browser,
            OpenSession.began_at,
            OpenSession.seen_at,
        )
        .join(Account, Account.id == OpenSession.account_id)
        .outerjoin(Tablet, Tablet.id == OpenSession.tablet_id)
        .where(
            OpenSession.account_id == account_id,
            OpenSession.ended_at.is_(None),
            OpenSession.epoch == Account.session_epoch,
            OpenSession.began_at > now - LONGEST,
            Account.active,
            Tablet.revoked_at.is_(None),
        )
        .order_by(OpenSession.seen_at.desc(), OpenSession.began_at.desc(), OpenSession.id)
    )
    found = [SessionView(*row) for row in rows]
    return [
        one for one in found if not is_over(one.began_at, one.seen_at, now, one.idle + NOTE_EVERY)
    ]


@dataclass(frozen=True)
class DeviceView:
    """A browser in which somebody has signed in: the hash of what it keeps, from where, when."""

    hash: str
    address: str
    last_at: datetime


def known_devices(session: Session, account_id: uuid.UUID) -> list[DeviceView]:
    """Browsers in which somebody has signed in. One statement."""
    rows = session.execute(
        select(KnownDevice.device_hash, KnownDevice.address, KnownDevice.last_at).where(
            KnownDevice.account_id == account_id
        )
    )
    return [DeviceView(*row) for row in rows]
