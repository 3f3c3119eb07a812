"""Reads of whom an identity provider knows an account as."""

import uuid
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracelog.people.models import Identity
from tracelog.people.queries import AccountView, account


@dataclass(frozen=True)
class IdentityView:
    """One link between an account and an identity provider."""

    issuer: str
    subject: str
    linked_at: datetime


def account_of(session: Session, issuer: str, subject: str) -> AccountView | None:
    """The account that is linked to that subject of that issuer."""
    found = session.get(Identity, (issuer, subject))
    return None if found is None else account(session, found.account_id)


def identities_of(session: Session, account_id: uuid.UUID) -> list[IdentityView]:
    """Links of one account. One statement."""
    rows = session.execute(
        select(Identity.issuer, Identity.subject, Identity.linked_at)
        .where(Identity.account_id == account_id)
        .order_by(Identity.linked_at)
    )
    return [IdentityView(*row) for row in rows]
