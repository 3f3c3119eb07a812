"""The write of the language that a person reads."""

import uuid
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog import audit
from tracelog.audit import Actor, Subject
from tracelog.errors import NotFound, TracelogError
from tracelog.language import _
from tracelog.locales import LANGUAGES
from tracelog.people.models import Account


def check_language(name: str) -> str | None:
    """A language as it is kept; None for a blank name: as the browser asks.

    Raises:
        TracelogError: there is no such language.
    """
    if name and name not in LANGUAGES:
        raise TracelogError(
            _(
                "'%(name)s' is not a language of these pages; they speak %(known)s",
                name=name[:20],
                known=", ".join(one.own_name for one in LANGUAGES.values()),
            ),
            "language",
        )
    return name or None


def choose_language(
    session: Session, account_id: uuid.UUID, name: str, actor: Actor, now: datetime
) -> None:
    """Keep the language that a person reads; blank: as the browser asks.

    Raises:
        TracelogError: there is no such language.
        NotFound: there is no such account.
    """
    chosen = check_language(name)
    account = session.get(Account, account_id)
    if account is None:
        raise NotFound(_("there is no such account"))
    before = account.language
    if chosen == before:
        return
    account.language = chosen
    audit.append(
        session,
        actor,
        now,
        "choose language",
        Subject("account", account.name),
        {"language": before},
        {"language": chosen},
    )
    session.flush()
