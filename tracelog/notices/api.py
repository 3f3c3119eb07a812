"""The API's calls for notices: of the person whom the token or the session stands for."""

import uuid

from flask import Blueprint, Response

from tracelog.errors import NotAllowed
from tracelog.language import _
from tracelog.notices.actions import subscribe
from tracelog.notices.answers import notice_answer, subscription_answer
from tracelog.notices.delivering import demand_way
from tracelog.notices.facts import SubscriptionFact
from tracelog.notices.queries import notices_of, subscriptions_of, unread
from tracelog.notices.shapes import NOTICES, SUBSCRIBED, SUBSCRIPTIONS
from tracelog.outcomes import Became
from tracelog.plant.queries import directory
from tracelog.web.collections import take_one
from tracelog.web.parameters import Parameters
from tracelog.web.request import current_actor, current_session, house, now, permit
from tracelog.web.shapes import KEEP_GOOD, TEXT, Asked, Call, answers_with, described
from tracelog.web.strict_json import answer_json

notices_api = Blueprint("notices_api", __name__, url_prefix="/api/v1")


@notices_api.get("/subscriptions")
@permit("subscribe")
@described(Call("What the account asks to be told.", answers_with(SUBSCRIPTIONS)))
def get_subscriptions() -> Response:
    """Own subscriptions."""
    Parameters(()).finish()
    session = current_session()
    found = subscriptions_of(session, _account(), directory(session))
    return answer_json({"subscriptions": [subscription_answer(one) for one in found]})


@notices_api.post("/subscriptions")
@permit("subscribe")
@described(
    Call(
        "Have the account told; the secret of a webhook that is new is in this answer alone.",
        {201: SUBSCRIBED, 200: SUBSCRIBED},
        body=SubscriptionFact,
        problems=(409, 413, 415),
    )
)
def post_subscription() -> Response:
    """Subscribe."""
    fact = take_one(SubscriptionFact, {})
    settings = house().settings
    demand_way(settings, fact)
    done = subscribe(current_session(), fact, current_actor(), now(), settings.secret_key)
    became = done.outcome.became
    said = {"status": became.value, "id": str(done.id), "secret": done.secret}
    return answer_json(said, 201 if became is Became.CREATED else 200)


@notices_api.get("/notices")
@permit("see")
@described(
    Call(
        "What the account was told, the last first, 50 at a time.",
        answers_with(NOTICES),
        asked=(
            Asked("unread", KEEP_GOOD.shape, "1: only what was not read"),
            Asked("after", TEXT, "the `after` of the page before"),
        ),
    )
)
def get_notices() -> Response:
    """Own notices."""
    asked = Parameters(("unread", "after"))
    only_unread = asked.yes_no("unread") or False
    after = asked.text("after")
    asked.finish()
    session, account_id = current_session(), _account()
    page = notices_of(session, account_id, after, only_unread=only_unread)
    told = [notice_answer(one) for one in page.notices]
    return answer_json(
        {"unread": unread(session, account_id), "notices": told, "after": page.after}
    )


def _account() -> uuid.UUID:
    account_id = current_actor().account_id
    if account_id is None:
        raise NotAllowed(_("notices are for people with an account; sign in with one"))
    return account_id
