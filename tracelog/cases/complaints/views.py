"""The Complaints pages: the list, what arrived, what was done, and the answer on one page."""

from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.cases.complaints.actions import (
    correct_complaint,
    write_complaint,
    write_complaint_steps,
)
from tracelog.cases.complaints.answering import Answer, answer_of
from tracelog.cases.complaints.answers import complaints_sheet
from tracelog.cases.complaints.facts import Certainty, ComplaintFact, ComplaintStepFact, StepKind
from tracelog.cases.complaints.forms import (
    COMPLAINT_FIELDS,
    CORRECTION_FIELDS,
    OFFERED,
    STEP_FIELDS,
    as_shown,
    correction_of,
    in_plant_time,
    step_of,
)
from tracelog.cases.complaints.queries import (
    MOST_COMPLAINTS,
    ComplaintFilter,
    ComplaintView,
    complaint_numbered,
    complaint_with_id,
    complaints,
)
from tracelog.cases.queries import cases
from tracelog.defects.photos.actions import keep_photo
from tracelog.defects.photos.queries import photos_with_ids
from tracelog.defects.photos.views import sent_photo
from tracelog.defects.queries import vocabulary
from tracelog.errors import NotFound, TracelogError
from tracelog.facts import derived_id
from tracelog.instants import write_instant
from tracelog.language import _
from tracelog.outcomes import demand_kept
from tracelog.trace.holds.queries import HoldFilter, holds
from tracelog.web.downloads import demand_kind, sheet_file
from tracelog.web.forms import Form, asked, posted
from tracelog.web.numbers import for_field
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

complaint_pages = Blueprint("complaints", __name__)
LIST_FIELDS = ("state", "pallet", "before")
STATES = ("open", "closed", "all")


@complaint_pages.get("/complaints")
@permit("see")
def complaints_page() -> tuple[str, int]:
    """Open complaints, or those that are asked for."""
    form = asked(LIST_FIELDS)
    found: list[ComplaintView] = []
    try:
        found = complaints(current_session(), _wanted(form), now())
    except TracelogError as problem:
        form = form.with_problem(problem)
    pairs = {name: form.value(name) for name in ("state", "pallet") if form.value(name)}
    further = None
    if len(found) == MOST_COMPLAINTS:
        further = "/complaints?" + urlencode({**pairs, "before": found[-1].number})
    shown = render_template(
        "cases/complaints/complaints.html",
        form=form,
        complaints=found,
        further=further,
        query="?" + urlencode(pairs) if pairs else "",
        as_of=now(),
    )
    return shown, 400 if form.is_faulty else 200


def _wanted(form: Form) -> ComplaintFilter:
    state = form.value("state") or ("all" if form.value("pallet") else "open")
    if state not in STATES:
        raise TracelogError(_("is not one of: open, closed, all"), "state")
    before = form.value("before")
    if before and not (before.isdecimal() and before.isascii() and len(before) < 10):
        raise TracelogError(_("is not the number of a complaint; write digits only"), "before")
    is_open = {"open": True, "closed": False}.get(state)
    return ComplaintFilter(is_open, form.value("pallet") or None, int(before) if before else None)


@complaint_pages.get("/complaints.<kind>")
@permit("see")
def complaints_file(kind: str) -> Response:
    """The list as a file."""
    demand_kind(kind)
    found = complaints(current_session(), _wanted(asked(LIST_FIELDS)), now())
    sheet = complaints_sheet(found, now(), the_plant_now().zone)
    return sheet_file(sheet, "complaints", kind)


@complaint_pages.get("/complaints/new")
@permit("see")
def new_complaint() -> str:
    """The form for what arrived."""
    zone = the_plant_now().zone
    form = asked(COMPLAINT_FIELDS, {"received_at": for_field(now(), zone)})
    return _new_page(Form(in_plant_time(form.values, zone)))


def _choices() -> dict[str, Any]:
    words = {
        Certainty.SURE: _("sure"),
        Certainty.UNSURE: _("not sure"),
        Certainty.PART: _("only a part of it"),
    }
    return {
        "kinds": [(kind.defect, kind.title) for kind in vocabulary(current_session())],
        "certainties": [(one.value, word) for one, word in words.items()],
    }


def _new_page(form: Form) -> str:
    return render_template(
        "cases/complaints/new.html", form=form, complaint_id=form.own_id(), **_choices()
    )


@complaint_pages.post("/complaints")
@permit("work on case")
def add_complaint() -> AnyResponse | tuple[str, int]:
    """Write a complaint."""
    form = posted(COMPLAINT_FIELDS)
    try:
        fact = ComplaintFact.read(form.values, the_plant_now().zone)
        write_complaint(current_session(), fact, current_actor(), now())
    except TracelogError as problem:
        return _new_page(form.with_problem(problem)), problem.status
    flash(_("Written. Its answer is worked out from what is on record."))
    if fact.id is None:
        return redirect("/complaints", 303)
    number = complaint_with_id(current_session(), fact.id, now()).number
    return redirect(f"/complaints/{number}", 303)


@complaint_pages.get("/complaints/<int:number>")
@permit("see")
def complaint_page(number: int) -> str:
    """One complaint: what arrived, what was done, and what can be answered."""
    return _page(complaint_numbered(current_session(), number, now()), {})


def step_words() -> dict[str, str]:
    """What a step is, in words."""
    return {
        StepKind.CORRECTED.value: _("corrected"),
        StepKind.HELD.value: _("a hold belongs to it"),
        StepKind.CASE.value: _("a case belongs to it"),
        StepKind.PHOTO.value: _("a photo"),
        StepKind.TOLD.value: _("the quality authority was told of the risk"),
        StepKind.PROMISED.value: _("who answers next, and by when"),
        StepKind.NOTE.value: _("a note"),
        StepKind.ANSWERED.value: _("answered"),
        StepKind.CLOSED.value: _("closed"),
        StepKind.REOPENED.value: _("opened again"),
    }


def _page(complaint: ComplaintView, forms: dict[str, Form]) -> str:
    session, zone = current_session(), the_plant_now().zone
    start = Form({"at": for_field(now(), zone)})
    words = step_words()
    kinds = OFFERED if complaint.is_open else (StepKind.REOPENED,)
    answer = answer_of(session, complaint, now())
    return render_template(
        "cases/complaints/complaint.html",
        complaint=complaint,
        answer=answer,
        links=_links(answer),
        age=complaint.age(now()),
        form=forms.get("steps", start),
        photos=photos_with_ids(session, complaint.photo_ids),
        photo_form=forms.get("photos", Form()),
        correction=forms.get("corrections", Form(as_shown(complaint, complaint.corrections, zone))),
        words=words,
        offered=[(one.value, words[one.value]) for one in kinds],
        open_holds=[
            (str(one.number), _("hold %(number)d", number=one.number) + f": {one.reason[:60]}")
            for one in holds(session, HoldFilter(is_open=True), now())
        ],
        open_cases=[(str(one.id), one.title) for one in cases(session) if one.is_open],
        **_choices(),
    )


def _links(answer: Answer) -> dict[str, str]:
    """Where a complaint leads: the can's dossier, its suspect window, a new hold, a new case."""
    now_said = answer.complaint.now
    found: dict[str, str] = {}
    can = {"code": str(now_said.code) if now_said.code else "", "pallet": now_said.pallet}
    can |= {"coil": now_said.coil}
    if answer.made_from and answer.made_to and not (now_said.pallet or now_said.coil):
        middle = answer.made_from + (answer.made_to - answer.made_from) / 2
        can["at"] = write_instant(middle)
    can["certainty"] = "unsure" if now_said.certainty is Certainty.UNSURE else None
    if can["code"] or can["pallet"]:
        found["trace"] = "/trace?" + urlencode({k: v for k, v in can.items() if v})
    if answer.candidates and answer.made_from and answer.made_to:
        middle = answer.made_from + (answer.made_to - answer.made_from) / 2
        pairs = [("machine", one.machine.text) for one in answer.candidates[:1]]
        pairs += [("defect", now_said.defect)] if now_said.defect else []
        found["suspects"] = "/trace/suspects?" + urlencode(
            [*pairs, ("bad_at", write_instant(middle))]
        )
        ends = [("made_from", answer.made_from), ("made_to", answer.made_to)]
        found["hold"] = "/holds/new?" + urlencode(
            [*pairs, *((name, write_instant(moment)) for name, moment in ends)]
        )
    if answer.machine is not None and now_said.defect:
        about = [("place", answer.machine.text), ("defect", now_said.defect)]
        about += [("complaint", str(answer.complaint.number))]
        if answer.made_from:
            about += [("since_at", write_instant(answer.made_from))]
        found["case"] = "/cases/new?" + urlencode(about)
    return found


@complaint_pages.post("/complaints/<int:number>/steps")
@permit("work on case")
def write_complaint_step(number: int) -> AnyResponse | tuple[str, int]:
    """Write what was done."""
    form, complaint = posted(STEP_FIELDS), complaint_numbered(current_session(), number, now())
    try:
        fact = step_of(complaint, form.values, the_plant_now().zone)
        demand_kept(write_complaint_steps(current_session(), [fact], current_actor(), now()))
    except NotFound:
        raise
    except TracelogError as problem:
        return _page(complaint, {"steps": form.with_problem(problem)}), problem.status
    flash(_("Written."))
    return redirect(f"/complaints/{number}", 303)


@complaint_pages.post("/complaints/<int:number>/corrections")
@permit("work on case")
def correct(number: int) -> AnyResponse | tuple[str, int]:
    """Correct what arrived; the old values stay on record."""
    form = posted(CORRECTION_FIELDS)
    session, zone = current_session(), the_plant_now().zone
    complaint = complaint_numbered(session, number, now())
    try:
        fact, seen = correction_of(complaint, form.values, zone, write_instant(now()))
        same = [one for one in complaint.steps if one.id == fact.id]
        if same:
            # Sent twice: the instant of the first time counts.
            fact = fact.model_copy(update={"at": same[0].at})
        demand_kept([correct_complaint(session, fact, seen, current_actor(), now())])
    except NotFound:
        raise
    except TracelogError as problem:
        return _page(complaint, {"corrections": form.with_problem(problem)}), problem.status
    flash(_("Corrected; what it said before stays on record."))
    return redirect(f"/complaints/{number}", 303)


@complaint_pages.post("/complaints/<int:number>/photos")
@permit("work on case")
def add_photo(number: int) -> AnyResponse | tuple[str, int]:
    """Add a picture to a complaint."""
    form, session = posted(("id",)), current_session()
    complaint = complaint_numbered(session, number, now())
    try:
        fact = sent_photo(form)
        keep_photo(session, fact, current_actor(), now())
        if fact.id is None or fact.id not in complaint.photo_ids:
            step = {
                "id": str(derived_id("photo of a complaint", {"photo": fact.id})),
                "complaint": str(complaint.id),
                "step": StepKind.PHOTO.value,
                "at": write_instant(now()),
                "photo": str(fact.id),
            }
            read = ComplaintStepFact.read(step, the_plant_now().zone)
            demand_kept(write_complaint_steps(session, [read], current_actor(), now()))
    except TracelogError as problem:
        return _page(complaint, {"photos": form.with_problem(problem)}), problem.status
    flash(_("The photo is kept, without what it told of place and camera."))
    return redirect(f"/complaints/{number}", 303)


@complaint_pages.get("/complaints/<int:number>/answer")
@permit("see")
def print_answer(number: int) -> str:
    """The answer within the hour, on one page."""
    complaint = complaint_numbered(current_session(), number, now())
    return render_template(
        "cases/complaints/answer.html",
        complaint=complaint,
        answer=answer_of(current_session(), complaint, now()),
        age=complaint.age(now()),
    )
