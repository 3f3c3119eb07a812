"""The doors of the tablet's queue: contact with the server, and an entry that waited."""

from datetime import UTC
from typing import Any

from flask import Blueprint, Response

from tracelog.defects.facts import EntryFact
from tracelog.defects.pad import faults_at, pad_values, sent_before
from tracelog.defects.tablet.facts import FilledForm, QueuedEntry
from tracelog.defects.tablet.rules import corrected
from tracelog.defects.views import keep_entry, settle_on, typed_values
from tracelog.errors import Conflict, TracelogError
from tracelog.language import _
from tracelog.outcomes import Became
from tracelog.web.proofs import form_proof
from tracelog.web.request import (
    current_actor,
    current_session,
    current_visitor,
    may,
    now,
    permit,
    public,
    the_plant_now,
)
from tracelog.web.strict_json import answer_json, read_json

# Fields that an entry takes from its form as they are, beside what the form says in its own way.
CARRIED = {
    FilledForm.PAD: ("seen_at", "as_read"),
    FilledForm.TYPED: ("as_read", "pallet", "coil"),
}
tablet_pages = Blueprint("tablet", __name__)


@tablet_pages.get("/log/contact")
@public
def contact() -> Response:
    """What the server's clock says, who is signed in, and the token to write with."""
    visitor = current_visitor()
    answer: dict[str, Any] = {"now": now().astimezone(UTC), "person": None}
    if visitor is not None:
        answer |= {
            "person": str(visitor.actor.account_id),
            "name": visitor.display_name,
            "may_log": may("log entry"),
            "token": form_proof(),
        }
    return answer_json(answer)


@tablet_pages.post("/log/queued")
@permit("log entry")
def take_queued() -> Response:
    """Keep an entry that a tablet kept: once, however often it is sent."""
    try:
        sent = QueuedEntry.read(read_json(), the_plant_now().zone)
        fact, became = _keep(sent)
    except TracelogError as problem:
        faults = [{"field": one.field, "sentence": one.sentence} for one in problem.faults]
        return answer_json({"status": "refused", "faults": faults}, problem.status)
    answer = {"id": str(fact.id), "status": became.value, "told": told_of(fact)}
    return answer_json(answer, 201 if became is Became.CREATED else 200)


def _keep(sent: QueuedEntry) -> tuple[EntryFact, Became]:
    if sent.person != current_actor().account_id:
        # Whoever signed in meanwhile does not become the one who logged it.
        raise Conflict(_("was logged by somebody else, who signs in to send it"), "person")
    earlier = sent_before(current_session(), str(sent.id))
    error_s = sent.tablet_clock_error_s
    carried = {
        **{name: sent.fields.get(name, "") for name in CARRIED[sent.form]},
        "id": str(sent.id),
        "tablet_clock_error_s": earlier.tablet_clock_error_s if earlier else error_s,
    }
    logged_at = corrected(sent.logged_at, error_s, now())
    places = {"dome_code": "number", "values": "settled"}
    try:
        if sent.form is FilledForm.PAD:
            fact = keep_entry(pad_values(sent.fields) | carried, logged_at)
            if sent.fields.get("settled"):
                settle_on(fact, sent.fields["settled"])
        else:
            fact = keep_entry(typed_values(sent.fields.get("typed", "")) | carried, logged_at)
    except TracelogError as problem:
        if sent.form is FilledForm.TYPED:
            places = {one.field: "typed" for one in problem.faults if one.field not in carried}
        raise faults_at(problem, places) from None
    return fact, Became.UNCHANGED if earlier else Became.CREATED


def told_of(fact: EntryFact) -> str:
    """That an entry is kept, in one sentence."""
    code = str(fact.dome_code) if fact.dome_code else _("no code")
    if fact.inspected is None:
        return _(
            "Kept: %(code)s %(defect)s, %(cans)d.", code=code, defect=fact.defect, cans=fact.cans
        )
    return _(
        "Kept: %(code)s %(defect)s, %(cans)d of %(inspected)d inspected.",
        code=code,
        defect=fact.defect,
        cans=fact.cans,
        inspected=fact.inspected,
    )
