"""Erasing a person's name: their entries stay under a pseudonym, and the chain stays whole.

The audit records that held the name keep their own hash and get other words; the record of the
erasing, which is in the chain as any other, gives the hash of what they say now. So the check finds
every record either as it was written or as an erasing left it.
"""

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Column, delete, or_, select, update
from sqlalchemy.orm import Session

from tracelog.audit import (
    ERASURE,
    Actor,
    AuditRecord,
    Subject,
    append,
    record_content,
    take_turn,
)
from tracelog.db import Base
from tracelog.errors import TracelogError
from tracelog.keeping.erasing.queries import (
    Person,
    Place,
    holding,
    next_pseudonym,
    person_columns,
    person_named,
    places_left,
    text_columns,
)
from tracelog.keeping.erasing.rules import is_person_word, without_name, words_replaced
from tracelog.language import _
from tracelog.notices.models import Notice, OutboxMessage, Subscription
from tracelog.people.models import (
    Account,
    Identity,
    KnownDevice,
    OpenSession,
    TabletPerson,
    Token,
)
from tracelog.people.queries import active_administrators
from tracelog.people.secrets import hash_secret, new_token_secret
from tracelog.seals.actions import rewriting, settle
from tracelog.seals.rules import CHAINS, Way, way_of

_ERASED = "erased"


@dataclass(frozen=True)
class Erased:
    """What was done: the pseudonym, rows changed by table, and where the name is still written."""

    pseudonym: str
    rows: dict[str, int]
    records: int
    left: list[Place]


def erase_person(session: Session, name: str, actor: Actor, now: datetime) -> Erased:
    """Erase the name of a person everywhere that tracelog itself wrote it.

    Whoever has an account cannot sign in any more; their sessions, devices, addresses and tokens
    go. What they recorded stays, under a pseudonym.

    Args:
        session: an open session that writes; the caller commits.
        name: of the account, or the whole name under which facts were imported.
        actor: who erases it.
        now: when, UTC.

    Raises:
        NotFound: nobody of that name is anywhere.
        TracelogError: it is the actor, or the last active administrator.
    """
    take_turn(session)
    settle(session)
    person = person_named(session, name.strip())
    _check(session, person, actor)
    pseudonym = next_pseudonym(session)
    rows: Counter[str] = Counter()
    if person.account is not None:
        _close_account(session, person.account, pseudonym, now)
        rows["accounts"] += 1
        session.flush()
    for column in person_columns():
        if column.table.name not in CHAINS:
            rows[column.table.name] += _rename(session, column, person.names, pseudonym)
    rows.update(_rewrite_json(session, person.names, pseudonym))
    rows.update(_rewrite_notices(session, person.names, pseudonym))
    records = _rewrite_records(session, person.names, pseudonym)
    changed = {table: count for table, count in sorted(rows.items()) if count}
    after = {"person": pseudonym, "rows": changed, "records": records}
    append(session, actor, now, ERASURE, Subject("person", pseudonym), None, after)
    session.flush()
    session.expire_all()
    return Erased(pseudonym, changed, len(records), places_left(session, person.names))


def _check(session: Session, person: Person, actor: Actor) -> None:
    account = person.account
    if actor.name in person.names:
        raise TracelogError(_("is yourself; another administrator must do it"), "name")
    is_one = account is not None and account.role == "administrator" and account.active
    if is_one and active_administrators(session) == 1:
        raise TracelogError(
            _("this is the last active administrator; make somebody else administrator first"),
            "name",
        )


def _close_account(session: Session, account: Account, pseudonym: str, now: datetime) -> None:
    account.name = account.display_name = pseudonym
    account.active = False
    account.session_epoch += 1
    # Of a secret that nobody knows.
    account.secret_hash = hash_secret(new_token_secret())
    account.pin_hash = account.pin_once_until = account.language = None
    account.secret_once_until = None
    session.flush()
    for table in (OpenSession, KnownDevice, Identity, TabletPerson):
        session.execute(delete(table).where(table.account_id == account.id))
    session.execute(
        update(Token)
        .where(Token.account_id == account.id, Token.revoked_at.is_(None))
        .values(revoked_at=now)
    )
    session.execute(update(Token).where(Token.account_id == account.id).values(last_used_from=None))
    own = select(Subscription.id).where(Subscription.account_id == account.id)
    session.execute(
        update(OutboxMessage)
        .where(OutboxMessage.subscription_id.in_(own))
        .values(address=_ERASED)
        .execution_options(synchronize_session=False)
    )
    mine = update(Subscription).where(Subscription.account_id == account.id)
    mine = mine.execution_options(synchronize_session=False)
    session.execute(mine.where(Subscription.ended_at.is_(None)).values(ended_at=now))
    session.execute(mine.where(Subscription.address.is_not(None)).values(address=_ERASED))


def _rename(session: Session, column: Column[Any], names: Sequence[str], pseudonym: str) -> int:
    table = column.table
    own = column.in_(names)
    change = update(table).where(own).values({column.name: pseudonym})
    if way_of(table.name) is not Way.RECORD:
        return int(session.execute(change).rowcount)  # type: ignore[attr-defined]
    records = set(session.execute(select(table.c.audit_id).where(own).distinct()).scalars())
    with rewriting(session.connection(), table, records):
        return int(session.execute(change).rowcount)  # type: ignore[attr-defined]


def _rewrite_json(session: Session, names: Sequence[str], pseudonym: str) -> Counter[str]:
    """What was kept as JSON: corrections, what was shown at a signature, and the like."""
    rows: Counter[str] = Counter()
    for table in Base.metadata.sorted_tables:
        if table.name in CHAINS or way_of(table.name) is Way.RECORD:
            continue
        keys = list(table.primary_key.columns)
        for column in text_columns(table):
            if is_person_word(column.name) or column.primary_key:
                continue
            asked = select(*keys, column.label("found")).where(holding(column, names))
            for row in session.execute(asked).all():
                new = without_name(row.found, names, pseudonym)
                if new != row.found:
                    own = [key == getattr(row, key.name) for key in keys]
                    session.execute(update(table).where(*own).values({column.name: new}))
                    rows[table.name] += 1
    return rows


def _rewrite_notices(session: Session, names: Sequence[str], pseudonym: str) -> Counter[str]:
    rows: Counter[str] = Counter()
    asked = select(Notice).where(or_(holding(Notice.title, names), holding(Notice.text, names)))
    for notice in session.execute(asked).scalars():
        notice.title = words_replaced(notice.title, names, pseudonym)
        notice.text = words_replaced(notice.text, names, pseudonym)
        rows["notices"] += 1
    session.flush()
    return rows


def _rewrite_records(session: Session, names: Sequence[str], pseudonym: str) -> dict[str, str]:
    """Give audit records other words.

    Returns:
        For each record's number the SHA-256 of its content as it is now.
    """
    searched = (AuditRecord.actor, AuditRecord.subject, AuditRecord.before, AuditRecord.after)
    found = select(AuditRecord).where(or_(*(holding(column, names) for column in searched)))
    contents: dict[str, str] = {}
    for record in session.execute(found.order_by(AuditRecord.sequence)).scalars().all():
        before = record_content(record)
        about = record.subject_kind == "account"
        record.actor = pseudonym if record.actor in names else record.actor
        if about:
            record.subject = words_replaced(record.subject, names, pseudonym)[:200]
        record.before = without_name(record.before, names, pseudonym, is_account=about)
        record.after = without_name(record.after, names, pseudonym, is_account=about)
        now = record_content(record)
        if now != before:
            contents[str(record.sequence)] = hashlib.sha256(now.encode()).hexdigest()
    session.flush()
    return contents
