"""The documented answers about tokens, the same for command and API; instants in UTC."""

from datetime import datetime
from typing import Any

from tracelog.people.queries import TokenView
from tracelog.people.scopes import read_scopes


def token_answer(one: TokenView, now: datetime) -> dict[str, Any]:
    """One token, without its secret.

    Args:
        one: the token.
        now: the present instant, UTC, for its state.
    """
    scopes = read_scopes(one.scopes)
    return {
        "id": str(one.id),
        "account": one.account,
        "name": one.name,
        "role": one.role,
        "scopes": None if scopes is None else sorted(scopes),
        "state": one.state_at(now),
        "created_at": one.created_at,
        "expires_at": one.expires_at,
        "last_used_at": one.last_used_at,
        "last_used_from": one.last_used_from,
        "revoked_at": one.revoked_at,
    }
