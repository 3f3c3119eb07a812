"""The API's calls for tokens of programs."""

import uuid

from flask import Blueprint, Response

from tracelog.errors import Conflict
from tracelog.language import _
from tracelog.people import actions, queries
from tracelog.people.facts import TokenFact
from tracelog.people.permissions import ROLES
from tracelog.people.token_answers import token_answer
from tracelog.web.collections import take_one
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_actor, current_session, now, permit
from tracelog.web.shapes import (
    ID,
    INSTANT,
    TEXT,
    Asked,
    Call,
    answers_with,
    described,
    fields,
    many,
    maybe,
    words,
)
from tracelog.web.strict_json import answer_json

token_api = Blueprint("token_api", __name__, url_prefix="/api/v1")
_TOKEN = fields(
    {
        "id": ID,
        "account": TEXT,
        "name": TEXT,
        "role": words(*ROLES),
        "scopes": maybe(many(TEXT)),
        "state": words("good", "expired", "revoked"),
        "created_at": INSTANT,
        "expires_at": maybe(INSTANT),
        "last_used_at": maybe(INSTANT),
        "last_used_from": maybe(TEXT),
        "revoked_at": maybe(INSTANT),
    }
)


@token_api.get("/tokens")
@permit("manage accounts")
@described(
    Call(
        "All tokens, newest first, without their secrets.",
        answers_with(fields({"tokens": many(_TOKEN)})),
    )
)
def get_tokens() -> Response:
    """All tokens."""
    Parameters(()).finish()
    found = queries.tokens(current_session())
    return answer_json({"tokens": [token_answer(one, now()) for one in found]})


@token_api.post("/tokens")
@permit("manage accounts")
@described(
    Call(
        "Make a token for an account; its secret is in this answer alone.",
        {201: fields({"status": words("created"), "token": TEXT})},
        body=TokenFact,
        problems=(404, 409, 413, 415),
    )
)
def post_token() -> Response:
    """Make a token."""
    fact = take_one(TokenFact, {})
    session = current_session()
    account = queries.account_named(session, fact.account)
    if not account.active:
        raise Conflict(_("'%(name)s' is disabled", name=account.name), "account")
    secret = actions.create_token(
        session,
        account,
        fact.name,
        fact.role or account.role,
        current_actor(),
        now(),
        fact.expires_at,
        fact.scopes,
    )
    return answer_json({"status": "created", "token": secret}, 201)


@token_api.post("/tokens/<uuid:token_id>/revocation")
@permit("manage accounts")
@described(
    Call(
        "End a token; ending it twice changes nothing.",
        answers_with(fields({"status": words("revoked")})),
        asked=(Asked("token_id", ID, "which token", place="path"),),
        problems=(404,),
    )
)
def revoke(token_id: uuid.UUID) -> Response:
    """End a token."""
    Parameters(()).finish()
    actions.revoke_token(current_session(), token_id, current_actor(), now())
    return answer_json({"status": "revoked"})
