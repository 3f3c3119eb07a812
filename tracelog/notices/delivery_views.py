"""What became of messages, and all webhooks: for whoever looks after the plant's computers."""

import uuid

from flask import Blueprint, Response, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.notices.actions import send_again, switch_webhook
from tracelog.notices.answers import messages_sheet
from tracelog.notices.delivering import fits_key, mail_server
from tracelog.notices.queries import messages, webhooks
from tracelog.notices.wording import state_words, way_words
from tracelog.web.downloads import demand_kind, sheet_file
from tracelog.web.forms import Form, asked
from tracelog.web.request import (
    current_actor,
    current_session,
    house,
    now,
    permit,
    the_plant_now,
)

delivery_pages = Blueprint("deliveries", __name__)
MOST_IN_FILE = 5000


@delivery_pages.get("/notices/deliveries")
@permit("see deliveries")
def deliveries_page() -> tuple[str, int]:
    """The log of messages, and the webhooks."""
    return _page(asked(("state",)))


def _page(form: Form) -> tuple[str, int]:
    settings = house().settings
    try:
        found = messages(current_session(), _state(form))
    except TracelogError as problem:
        form, found = form.with_problem(problem), []
    return (
        render_template(
            "notices/deliveries.html",
            form=form,
            told=found,
            webhooks=webhooks(current_session()),
            fits_key=lambda webhook: fits_key(settings, webhook),
            mail=mail_server(settings),
            states=state_words(),
            ways=way_words(),
        ),
        400 if form.is_faulty else 200,
    )


def _state(form: Form) -> str | None:
    state = form.value("state") or None
    if state is not None and state not in state_words():
        raise TracelogError(_("is not one of: %(known)s", known=", ".join(state_words())), "state")
    return state


@delivery_pages.get("/notices/deliveries.<kind>")
@permit("see deliveries")
def deliveries_file(kind: str) -> Response:
    """The log as a file."""
    demand_kind(kind)
    found = messages(current_session(), _state(asked(("state",))), MOST_IN_FILE)
    return sheet_file(messages_sheet(found, the_plant_now().zone), "deliveries", kind)


@delivery_pages.post("/notices/deliveries/<uuid:message_id>/again")
@permit("see deliveries")
def again(message_id: uuid.UUID) -> AnyResponse:
    """Try a message again."""
    send_again(current_session(), message_id, current_actor(), now())
    flash(_("It is tried again, under the same id."))
    return redirect("/notices/deliveries", 303)


@delivery_pages.post("/notices/webhooks/<uuid:webhook_id>/<any(on, off):which>")
@permit("see deliveries")
def switch(webhook_id: uuid.UUID, which: str) -> AnyResponse:
    """Let messages go to a webhook again, or not."""
    switch_webhook(current_session(), webhook_id, current_actor(), now(), on=which == "on")
    flash(
        _("The webhook is on.")
        if which == "on"
        else _("The webhook is off; its messages wait until it is on again.")
    )
    return redirect("/notices/deliveries", 303)
