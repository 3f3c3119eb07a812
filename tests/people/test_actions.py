"""Accounts and tokens as actions: done, refused with a sentence, and on record."""

from datetime import datetime, timedelta

import pytest
from argon2 import PasswordHasher
from sqlalchemy import select
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tracelog.audit import Actor, AuditRecord, broken_links
from tracelog.db import new_id
from tracelog.errors import Conflict, NotFound, TracelogError
from tracelog.people import actions, queries, secrets
from tracelog.people.models import Account, Token
from tracelog.people.permissions import ROLES

ADA = Actor("ada", "administrator", "page")
WORDS = "four words and more"


@pytest.fixture(autouse=True)
def _quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(secrets, "_hasher", quick)


def make(session: Session, now: datetime, name: str = "anna", role: str = "planner") -> Account:
    secret = "402917" if role == "operator" else WORDS
    account_id = actions.create_account(session, name, "", role, secret, ADA, now)
    account = session.get(Account, account_id)
    assert account is not None
    return account


def records(session: Session) -> list[tuple[str, str, str]]:
    rows = session.execute(
        select(AuditRecord.actor, AuditRecord.action, AuditRecord.subject).order_by(
            AuditRecord.sequence
        )
    )
    return [(row.actor, row.action, row.subject) for row in rows]


def test_an_account_is_made_and_on_record_without_its_secret(
    session: Session, now: datetime
) -> None:
    account = make(session, now, " Anna ")
    assert (account.name, account.display_name, account.role) == ("anna", "anna", "planner")
    assert account.active
    assert account.created_at == now
    assert secrets.verify_secret(WORDS, account.secret_hash)
    assert records(session) == [("ada", "create account", "anna")]
    kept = session.execute(select(AuditRecord.before, AuditRecord.after)).one()
    assert kept.before is None
    assert WORDS not in kept.after
    assert account.secret_hash not in kept.after


@pytest.mark.parametrize(
    ("name", "role", "secret", "field"),
    [
        ("", "planner", WORDS, "name"),
        ("anna k", "planner", WORDS, "name"),
        ("anna/k", "planner", WORDS, "name"),
        ("a" * 81, "planner", WORDS, "name"),
        ("a\x00b", "planner", WORDS, "name"),
        ("anna", "boss", WORDS, "role"),
        ("anna", "planner", "402917", "secret"),
    ],
)
def test_an_account_that_is_not_right_is_refused_at_its_field(
    session: Session, now: datetime, name: str, role: str, secret: str, field: str
) -> None:
    with pytest.raises(TracelogError) as refused:
        actions.create_account(session, name, "", role, secret, ADA, now)
    assert refused.value.field == field
    assert queries.accounts(session) == []
    assert records(session) == []


def test_a_name_is_taken_once_whatever_its_capitals(session: Session, now: datetime) -> None:
    make(session, now, "anna")
    with pytest.raises(Conflict, match="'anna' is taken"):
        make(session, now, "ANNA")


def test_another_secret_ends_all_sessions(session: Session, now: datetime) -> None:
    account = make(session, now)
    epoch = actions.change_secret(session, account.id, "other words it is", ADA, now)
    assert epoch == account.session_epoch == 1
    assert secrets.verify_secret("other words it is", account.secret_hash)
    assert records(session)[-1] == ("ada", "change secret", "anna")
    with pytest.raises(TracelogError, match="too short"):
        actions.change_secret(session, account.id, "402917", ADA, now)


def test_an_operator_with_a_pin_needs_a_password_for_another_role(
    session: Session, now: datetime
) -> None:
    account = make(session, now, "ole", "operator")
    with pytest.raises(TracelogError, match="needs a password"):
        actions.change_role(session, account.id, "planner", ADA, now)
    with pytest.raises(TracelogError, match="at least 10"):
        actions.change_role(session, account.id, "planner", ADA, now, "402917")
    assert account.role == "operator"
    actions.change_role(session, account.id, "planner", ADA, now, WORDS)
    assert (account.role, account.session_epoch) == ("planner", 1)
    assert secrets.verify_secret(WORDS, account.secret_hash)


def test_a_lesser_role_revokes_the_tokens_that_go_beyond_it(
    session: Session, now: datetime
) -> None:
    account = make(session, now, "pia", "planner")
    view = queries.account_named(session, "pia")
    actions.create_token(session, view, "gateway", "planner", ADA, now)
    actions.create_token(session, view, "screen", "operator", ADA, now)
    actions.change_role(session, account.id, "quality", ADA, now)
    state = {token.name: token.revoked_at for token in queries.tokens(session)}
    assert state["gateway"] == now
    assert state["screen"] == now
    last = session.execute(
        select(AuditRecord.after).order_by(AuditRecord.sequence.desc()).limit(1)
    ).scalar_one()
    assert last == '{"revoked_tokens": ["gateway", "screen"], "role": "quality"}'


def test_the_same_role_changes_nothing(session: Session, now: datetime) -> None:
    account = make(session, now)
    actions.change_role(session, account.id, "planner", ADA, now)
    assert account.session_epoch == 0
    assert len(records(session)) == 1


@pytest.mark.parametrize("how", ["role", "active"])
def test_the_last_administrator_stays(session: Session, now: datetime, how: str) -> None:
    account = make(session, now, "adam", "administrator")
    leave = {
        "role": lambda: actions.change_role(session, account.id, "planner", ADA, now),
        "active": lambda: actions.set_active(session, account.id, False, ADA, now),
    }
    with pytest.raises(TracelogError, match="last active administrator"):
        leave[how]()
    make(session, now, "eve", "administrator")
    actions.set_active(session, account.id, active=False, actor=ADA, now=now)
    assert not account.active


def test_disabling_and_enabling_are_on_record(session: Session, now: datetime) -> None:
    account = make(session, now)
    for active in (False, False, True):
        actions.set_active(session, account.id, active=active, actor=ADA, now=now)
    assert account.session_epoch == 2
    assert [record[1] for record in records(session)[1:]] == ["disable account", "enable account"]


def test_a_token_is_kept_as_a_digest_only(session: Session, now: datetime) -> None:
    make(session, now)
    view = queries.account_named(session, "anna")
    secret = actions.create_token(session, view, "gateway", "operator", ADA, now)
    token = session.execute(select(Token)).scalar_one()
    assert token.token_hash == secrets.token_hash(secret)
    assert secret not in str(vars(token))
    holder = queries.token_holder(session, secrets.token_hash(secret))
    assert holder is not None
    assert (holder.account.name, holder.token.role) == ("anna", "operator")
    assert holder.token.is_good_at(now)
    assert records(session)[-1] == ("ada", "create token", "gateway")


def test_a_token_goes_no_further_than_its_account(session: Session, now: datetime) -> None:
    make(session, now, "ole", "operator")
    view = queries.account_named(session, "ole")
    for role in ROLES[1:]:
        with pytest.raises(TracelogError, match="beyond the account's own role") as refused:
            actions.create_token(session, view, "gateway", role, ADA, now)
        assert refused.value.field == "role"
    assert queries.tokens(session) == []


@pytest.mark.parametrize(
    ("name", "days", "field"),
    [("", None, "name"), ("x" * 81, None, "name"), ("x", -1, "expires_at")],
)
def test_a_token_that_is_not_right_is_refused(
    session: Session, now: datetime, name: str, days: int | None, field: str
) -> None:
    make(session, now)
    view = queries.account_named(session, "anna")
    ends = None if days is None else now + timedelta(days=days)
    with pytest.raises(TracelogError) as refused:
        actions.create_token(session, view, name, "operator", ADA, now, ends)
    assert refused.value.field == field


def test_a_token_ends_when_it_is_revoked_or_its_day_has_come(
    session: Session, now: datetime
) -> None:
    make(session, now)
    view = queries.account_named(session, "anna")
    actions.create_token(session, view, "gateway", "operator", ADA, now, now + timedelta(days=1))
    with pytest.raises(Conflict, match="in use"):
        actions.create_token(session, view, "gateway", "operator", ADA, now)
    token = queries.tokens(session)[0]
    assert token.is_good_at(now + timedelta(hours=23))
    assert not token.is_good_at(now + timedelta(days=1))
    actions.revoke_token(session, token.id, ADA, now)
    actions.revoke_token(session, token.id, ADA, now + timedelta(hours=1))
    assert queries.tokens_of(session, view.id)[0].revoked_at == now
    assert [record[1] for record in records(session)].count("revoke token") == 1
    actions.create_token(session, view, "gateway", "operator", ADA, now)


def test_the_use_of_a_token_is_noted_once_a_day(session: Session, now: datetime) -> None:
    make(session, now)
    actions.create_token(
        session, queries.account_named(session, "anna"), "gateway", "operator", ADA, now
    )
    token = queries.tokens(session)[0]
    for hours in (0, 5, 23, 24):
        actions.note_token_use(session, token.id, "192.0.2.1", ADA, now + timedelta(hours=hours))
    assert queries.tokens(session)[0].last_used_at == now + timedelta(hours=24)
    assert [record[1] for record in records(session)].count("use token") == 2


def test_signing_in_is_noted_and_renews_an_outdated_hash(session: Session, now: datetime) -> None:
    account = make(session, now)
    view = queries.account_named(session, "anna")
    new_hash = secrets.hash_secret(WORDS)
    actions.note_sign_in(session, view, ADA, now, new_hash)
    assert account.last_signed_in_at == now
    assert account.secret_hash == new_hash
    assert records(session)[-1][1] == "sign in"
    actions.note_sign_in(session, view, ADA, now)
    assert account.secret_hash == new_hash


def test_nobody_and_nothing_unknown_is_changed(session: Session, now: datetime) -> None:
    make(session, now)
    with pytest.raises(NotFound):
        actions.change_secret(session, new_id(), WORDS, ADA, now)
    with pytest.raises(NotFound):
        actions.revoke_token(session, new_id(), ADA, now)
    with pytest.raises(NotFound):
        queries.account_named(session, "nobody")
    assert len(records(session)) == 1


def test_the_chain_holds_and_lists_take_one_statement(
    session: Session, now: datetime, statements: Statements
) -> None:
    for name in ("anna", "bert", "cleo"):
        make(session, now, name)
        actions.create_token(
            session, queries.account_named(session, name), "screen", "operator", ADA, now
        )
    session.flush()
    assert broken_links(session) == []
    with statements.counted() as sent:
        assert [account.name for account in queries.accounts(session)] == ["anna", "bert", "cleo"]
    assert len(sent) == 1
    with statements.counted() as sent:
        assert len(queries.tokens(session)) == 3
    assert len(sent) == 1
