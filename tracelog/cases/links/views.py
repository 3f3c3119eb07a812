"""Linking things and photos on the page of a case, and taking links back."""

import uuid

from flask import Blueprint, flash, redirect
from werkzeug.wrappers import Response as AnyResponse

from tracelog.cases.links.actions import link, unlink
from tracelog.cases.links.facts import TARGETS, LinkFact, UnlinkFact
from tracelog.cases.queries import case
from tracelog.cases.views import page_of_case
from tracelog.db import new_id
from tracelog.defects.photos.actions import keep_photo
from tracelog.defects.photos.views import sent_photo
from tracelog.errors import BadFact, Fault, NotFound, TracelogError
from tracelog.facts import derived_id
from tracelog.language import _
from tracelog.web.forms import Form, posted
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

link_pages = Blueprint("case_links", __name__)
LINK_FIELDS = ("id", "target", "name", "note")
UNLINK_FIELDS = ("id", "reason")


@link_pages.post("/cases/<uuid:case_id>/links")
@permit("work on case")
def add_link(case_id: uuid.UUID) -> AnyResponse | tuple[str, int]:
    """Link one thing to a case."""
    form = posted(LINK_FIELDS)
    try:
        link(current_session(), _fact_of(case_id, form), current_actor(), now())
    except NotFound:
        raise
    except TracelogError as problem:
        told = form.with_problem(_at_name(problem))
        return page_of_case(case_id, {"links": told}), problem.status
    flash(_("Linked."))
    return redirect(f"/cases/{case_id}#links-head", 303)


def _fact_of(case_id: uuid.UUID, form: Form) -> LinkFact:
    target = form.value("target")
    if target not in TARGETS:
        raise TracelogError(_("is missing; choose what it is"), "target")
    if not form.value("name"):
        raise TracelogError(_("is missing; a value is needed"), "name")
    # The address of an entry or a photo is as good as its id.
    name = form.value("name").rstrip("/").rpartition("/")[2]
    said = {"id": form.value("id"), "case": str(case_id), target: name, "note": form.value("note")}
    return LinkFact.read(said, the_plant_now().zone)


def _at_name(problem: TracelogError) -> TracelogError:
    """The same problem; what is wrong with the thing is told at the field of its name."""
    told = BadFact(
        tuple(
            Fault("name" if fault.field in TARGETS else fault.field, fault.sentence)
            for fault in problem.faults
        )
    )
    told.status = problem.status
    return told


@link_pages.post("/cases/<uuid:case_id>/unlinks")
@permit("work on case")
def take_back(case_id: uuid.UUID) -> AnyResponse | tuple[str, int]:
    """Take a link back."""
    form = posted(UNLINK_FIELDS)
    try:
        fact = UnlinkFact.read({"case": str(case_id), **form.values}, the_plant_now().zone)
        unlink(current_session(), fact, current_actor(), now())
    except NotFound:
        raise
    except TracelogError as problem:
        return page_of_case(case_id, {"unlinks": form.with_problem(problem)}), problem.status
    flash(_("Taken back; it stays on record."))
    return redirect(f"/cases/{case_id}#links-head", 303)


@link_pages.post("/cases/<uuid:case_id>/photos")
@permit("work on case")
def add_photo(case_id: uuid.UUID) -> AnyResponse | tuple[str, int]:
    """Keep a picture and link it to a case."""
    form, session = posted(("id",)), current_session()
    case(session, case_id, now())
    try:
        fact = sent_photo(form)
        key = fact.id or new_id()
        keep_photo(session, fact.model_copy(update={"id": key}), current_actor(), now())
        said = {
            "id": str(derived_id("photo of a case", {"photo": key})),
            "case": str(case_id),
            "photo": str(key),
        }
        link(session, LinkFact.read(said, the_plant_now().zone), current_actor(), now())
    except TracelogError as problem:
        return page_of_case(case_id, {"photos": form.with_problem(problem)}), problem.status
    flash(_("The photo is kept, without what it told of place and camera."))
    return redirect(f"/cases/{case_id}#links-head", 303)
