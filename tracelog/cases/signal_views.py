"""Attaching signals on the page of a case."""

import uuid

from flask import Blueprint, flash, redirect
from werkzeug.wrappers import Response as AnyResponse

from tracelog.cases.actions import attach_signal
from tracelog.cases.facts import SignalFact
from tracelog.language import _
from tracelog.web.forms import posted
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

signal_pages = Blueprint("case_signals", __name__)
FIELDS = ("machine", "defect", "kind", "raised_at", "reason")


@signal_pages.post("/cases/<uuid:case_id>/signals")
@permit("work on case")
def attach(case_id: uuid.UUID) -> AnyResponse:
    """Attach a signal to the case."""
    form = posted(FIELDS)
    fact = SignalFact.read({"case": str(case_id), **form.values}, the_plant_now().zone)
    attach_signal(current_session(), fact, current_actor(), now())
    flash(_("Attached."))
    return redirect(f"/cases/{case_id}", 303)
