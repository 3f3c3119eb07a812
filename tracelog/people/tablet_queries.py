"""Reads of shared tablets and of the people at them."""

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import and_, func, select
from sqlalchemy.orm import Session

from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.people.models import Account, Tablet, TabletPerson


@dataclass(frozen=True)
class TabletView:
    """One shared tablet, without its secret; `line_id` None: anywhere in the plant."""

    id: uuid.UUID
    name: str
    line_id: uuid.UUID | None
    idle_minutes: int
    made_at: datetime
    made_by: str
    last_seen_at: datetime | None
    revoked_at: datetime | None

    @property
    def idle(self) -> timedelta:
        """After so long without a request nobody is signed in any more."""
        return timedelta(minutes=self.idle_minutes)


@dataclass(frozen=True)
class TabletPersonView:
    """One person who can be tapped on: `last_here_at` None: never signed in at this tablet."""

    account_id: uuid.UUID
    display_name: str
    role: str
    has_pin: bool
    last_here_at: datetime | None


@dataclass(frozen=True)
class PinState:
    """A person as the page of PINs shows them; no PIN and no length of one."""

    account_id: uuid.UUID
    name: str
    display_name: str
    role: str
    has_pin: bool
    once_until: datetime | None


_TABLET = (
    Tablet.id,
    Tablet.name,
    Tablet.line_id,
    Tablet.idle_minutes,
    Tablet.made_at,
    Tablet.made_by,
    Tablet.last_seen_at,
    Tablet.revoked_at,
)


def tablets(session: Session) -> list[TabletView]:
    """All tablets, those in use first, newest first. One statement."""
    rows = session.execute(
        select(*_TABLET).order_by(Tablet.revoked_at.is_not(None), Tablet.made_at.desc(), Tablet.id)
    )
    return [TabletView(*row) for row in rows]


def tablet(session: Session, tablet_id: uuid.UUID) -> TabletView | None:
    """One tablet that is in use, by its id."""
    return _one(session, Tablet.id == tablet_id)


def tablet_with(session: Session, hashed: str) -> TabletView | None:
    """The tablet in use whose secret has that hash."""
    return _one(session, Tablet.token_hash == hashed)


def tablet_named(session: Session, name: str) -> TabletView:
    """The tablet in use of that name.

    Raises:
        NotFound: there is none.
    """
    found = _one(session, func.lower(Tablet.name) == name.strip().lower())
    if found is None:
        raise NotFound(_("no shared tablet in use is named '%(name)s'", name=name[:80]), "name")
    return found


def _one(session: Session, which: Any) -> TabletView | None:
    row = session.execute(select(*_TABLET).where(which, Tablet.revoked_at.is_(None))).first()
    return TabletView(*row) if row else None


def people_at(session: Session, tablet_id: uuid.UUID) -> list[TabletPersonView]:
    """Everybody who may sign in: who was here lately first, then by name. One statement."""
    rows = session.execute(
        select(
            Account.id,
            Account.display_name,
            Account.role,
            Account.pin_hash.is_not(None),
            TabletPerson.last_signed_in_at,
        )
        .outerjoin(
            TabletPerson,
            and_(TabletPerson.account_id == Account.id, TabletPerson.tablet_id == tablet_id),
        )
        .where(Account.active)
        .order_by(
            TabletPerson.last_signed_in_at.is_(None),
            TabletPerson.last_signed_in_at.desc(),
            func.lower(Account.display_name),
            Account.id,
        )
    )
    return [TabletPersonView(*row) for row in rows]


def pin_states(session: Session) -> list[PinState]:
    """Everybody who may sign in, and whether they have a PIN, by name. One statement."""
    rows = session.execute(
        select(
            Account.id,
            Account.name,
            Account.display_name,
            Account.role,
            Account.pin_hash.is_not(None),
            Account.pin_once_until,
        )
        .where(Account.active)
        .order_by(func.lower(Account.display_name), Account.id)
    )
    return [PinState(*row) for row in rows]


def kept_pin(session: Session, account_id: uuid.UUID) -> tuple[str | None, datetime | None]:
    """Hash of a person's PIN, None if they have none; and until when it is good once."""
    row = session.execute(
        select(Account.pin_hash, Account.pin_once_until).where(Account.id == account_id)
    ).one_or_none()
    return (row[0], row[1]) if row else (None, None)
