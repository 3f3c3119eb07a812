"""Reads of accounts and tokens."""

import uuid
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracelog.errors import NotFound
from tracelog.language import _
from tracelog.people.models import Account, Token
from tracelog.people.password_rules import words_of
from tracelog.plant.models import Plant


@dataclass(frozen=True)
class AccountView:
    """One account, without its secret."""

    id: uuid.UUID
    name: str
    display_name: str
    role: str
    active: bool
    session_epoch: int
    created_at: datetime
    last_signed_in_at: datetime | None
    # One of `tracelog.locales.LANGUAGES`; None: as the browser asks.
    language: str | None
    # A password or PIN that somebody else chose is good until then; None: it is their own.
    secret_once_until: datetime | None = None


@dataclass(frozen=True)
class TokenView:
    """One token, without its secret."""

    id: uuid.UUID
    name: str
    account: str
    role: str
    created_at: datetime
    expires_at: datetime | None
    last_used_at: datetime | None
    revoked_at: datetime | None
    # Words of `tracelog.people.permissions` with commas between them; None: the whole role.
    scopes: str | None
    last_used_from: str | None

    def is_good_at(self, moment: datetime) -> bool:
        """Whether it opens the door then."""
        return self.revoked_at is None and (self.expires_at is None or moment < self.expires_at)

    def state_at(self, moment: datetime) -> str:
        """In a word how it is then: ``good``, ``expired`` or ``revoked``."""
        if self.revoked_at is not None:
            return "revoked"
        return "good" if self.is_good_at(moment) else "expired"


@dataclass(frozen=True)
class TokenHolder:
    """A token that was presented, and the account that it acts for."""

    token: TokenView
    account: AccountView


ACCOUNT_COLUMNS = (
    Account.id,
    Account.name,
    Account.display_name,
    Account.role,
    Account.active,
    Account.session_epoch,
    Account.created_at,
    Account.last_signed_in_at,
    Account.language,
    Account.secret_once_until,
)
_TOKEN = (
    Token.id,
    Token.name,
    Account.name.label("account"),
    Token.role,
    Token.created_at,
    Token.expires_at,
    Token.last_used_at,
    Token.revoked_at,
    Token.scopes,
    Token.last_used_from,
)


def canonical_name(name: str) -> str:
    """A name to sign in with, as it is kept: small letters, no space around it."""
    return name.strip().casefold()


def accounts(session: Session) -> list[AccountView]:
    """All accounts in order of their names. One statement."""
    rows: Any = session.execute(select(*ACCOUNT_COLUMNS).order_by(Account.name))
    return [AccountView(*row) for row in rows]


def account(session: Session, account_id: uuid.UUID) -> AccountView | None:
    """One account by its id."""
    asked = select(*ACCOUNT_COLUMNS).where(Account.id == account_id)
    row: Any = session.execute(asked).one_or_none()
    return AccountView(*row) if row else None


def account_named(session: Session, name: str) -> AccountView:
    """One account by its name.

    Raises:
        NotFound: there is none of that name.
    """
    asked = select(*ACCOUNT_COLUMNS).where(Account.name == canonical_name(name))
    row: Any = session.execute(asked).one_or_none()
    if row is None:
        raise NotFound(_("there is no account named '%(name)s'", name=name[:80]), "name")
    return AccountView(*row)


def secret_of(session: Session, name: str) -> tuple[AccountView | None, str | None]:
    """The account of a name and the hash of its secret, both None if there is none."""
    row: Any = session.execute(
        select(Account.secret_hash, *ACCOUNT_COLUMNS).where(Account.name == canonical_name(name))
    ).one_or_none()
    return (AccountView(*row[1:]), row[0]) if row else (None, None)


def words_to_avoid(session: Session, display_name: str = "") -> tuple[str, ...]:
    """The words that somebody's password must not hold: of their name and the plant's."""
    return words_of(display_name, *session.scalars(select(Plant.name)))


def active_administrators(session: Session) -> int:
    """How many administrators can sign in."""
    return session.execute(
        select(func.count())
        .select_from(Account)
        .where(Account.role == "administrator", Account.active)
    ).scalar_one()


def is_empty(session: Session) -> bool:
    """Whether there is no account yet."""
    return session.execute(select(Account.id).limit(1)).first() is None


def _tokens() -> Any:
    return select(*_TOKEN).join(Account, Account.id == Token.account_id)


def tokens(session: Session) -> list[TokenView]:
    """All tokens, newest first. One statement."""
    rows = session.execute(_tokens().order_by(Token.created_at.desc(), Token.id.desc()))
    return [TokenView(*row) for row in rows]


def tokens_of(session: Session, account_id: uuid.UUID) -> list[TokenView]:
    """Tokens of one account, newest first. One statement."""
    rows = session.execute(
        _tokens()
        .where(Token.account_id == account_id)
        .order_by(Token.created_at.desc(), Token.id.desc())
    )
    return [TokenView(*row) for row in rows]


def token_holder(session: Session, hashed: str) -> TokenHolder | None:
    """The token with that hash and the account that it acts for. One statement."""
    row: Any = session.execute(
        select(*_TOKEN, *ACCOUNT_COLUMNS)
        .join(Account, Account.id == Token.account_id)
        .where(Token.token_hash == hashed)
    ).one_or_none()
    if row is None:
        return None
    return TokenHolder(TokenView(*row[: len(_TOKEN)]), AccountView(*row[len(_TOKEN) :]))
