"""Where a person's name stands in the tables."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Column, Select, String, Table, func, or_, select
from sqlalchemy.orm import Session

from tracelog.audit import ERASURE, AuditRecord
from tracelog.db import Base
from tracelog.errors import NotFound
from tracelog.keeping.erasing.rules import is_person_word, names_in
from tracelog.language import _
from tracelog.people.models import Account
from tracelog.people.queries import canonical_name
from tracelog.seals.digests import key_text
from tracelog.seals.queries import key_of
from tracelog.seals.rules import CHAINS

# Rows of one column that are named one by one.
MOST_NAMED = 20


@dataclass(frozen=True)
class Place:
    """Where the name is still written, by people, in words of their own."""

    table: str
    column: str
    rows: int
    keys: tuple[str, ...]


@dataclass(frozen=True)
class Person:
    """Whose name it is: the account if there is one, and the names that they go by."""

    account: Account | None
    names: tuple[str, ...]


def person_named(session: Session, name: str) -> Person:
    """Who is meant by the name of an account, or by a name that came with facts.

    Raises:
        NotFound: nobody of that name is anywhere.
    """
    account = session.execute(
        select(Account).where(Account.name == canonical_name(name))
    ).scalar_one_or_none()
    if account is None:
        if not any(_somewhere(session, column, name) for column in person_columns()):
            raise NotFound(
                _("nobody is called '%(name)s' here; write the name of the account", name=name[:80])
            )
        return Person(None, (name,))
    shared = session.execute(
        select(func.count()).where(Account.display_name == account.display_name)
    ).scalar_one()
    names = dict.fromkeys((account.name, *([account.display_name] if shared == 1 else [])))
    return Person(account, tuple(names))


def _somewhere(session: Session, column: Column[Any], name: str) -> bool:
    found = session.execute(select(column).where(column == name).limit(1)).first()
    return found is not None


def person_columns() -> Iterator[Column[Any]]:
    """The columns that hold who it was; of the audit trail too."""
    for table in Base.metadata.sorted_tables:
        for column in table.columns:
            if isinstance(column.type, String) and is_person_word(column.name):
                yield column


def next_pseudonym(session: Session) -> str:
    """The name that stands in place of the next one to be erased."""
    count = session.execute(select(func.count()).where(AuditRecord.action == ERASURE)).scalar_one()
    return f"person {count + 1}"


def text_columns(table: Table) -> list[Column[Any]]:
    """The columns of a table that hold text."""
    return [column for column in table.columns if isinstance(column.type, String)]


def holding(column: Any, names: Sequence[str]) -> Any:
    """The condition that one of the names is somewhere in a column, in large or small letters."""
    return or_(*(column.icontains(name, autoescape=True) for name in names))


def places_left(session: Session, names: Sequence[str]) -> list[Place]:
    """Where the names still stand as words: what people wrote, which nobody rewrites for them."""
    found = []
    for table in Base.metadata.sorted_tables:
        if table.name in CHAINS - {"audit_records"}:
            continue
        for column in text_columns(table):
            asked: Select[Any] = select(*table.primary_key.columns, column.label("found"))
            rows = session.execute(asked.where(holding(column, names))).all()
            keys = [key_text(table, key_of(table, r)) for r in rows if names_in(r.found, names)]
            if keys:
                found.append(Place(table.name, column.name, len(keys), tuple(keys[:MOST_NAMED])))
    return found
