"""The Holds pages: the list, raising a hold, one hold with its pallets, and its print."""

from contextlib import suppress
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response, flash, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from tracelog.defects.queries import vocabulary
from tracelog.errors import NotFound, TracelogError
from tracelog.instants import parse_instant
from tracelog.language import _, figure
from tracelog.outcomes import demand_kept
from tracelog.plant.queries import directory
from tracelog.trace.holds.actions import raise_hold, write_steps
from tracelog.trace.holds.answers import holds_sheet, pallet_state, pallets_sheet
from tracelog.trace.holds.facts import DECISIONS, HoldFact, StepKind
from tracelog.trace.holds.forms import (
    EXTEND_FIELDS,
    NOTE_FIELDS,
    PALLET_FIELDS,
    extension_steps,
    note_step,
    pallet_steps,
)
from tracelog.trace.holds.queries import (
    MOST_HOLDS,
    HoldFilter,
    HoldView,
    hold_numbered,
    hold_row,
    holds,
)
from tracelog.trace.holds.reaching import window_of
from tracelog.trace.suspects.queries import SuspectWindow
from tracelog.trace.suspects.rules import RISKS, USUAL_RISK
from tracelog.web.downloads import demand_kind, sheet_file
from tracelog.web.forms import Form, asked, posted
from tracelog.web.numbers import for_field
from tracelog.web.qr_codes import qr_code
from tracelog.web.request import current_actor, current_session, may, now, permit, the_plant_now

hold_pages = Blueprint("holds", __name__)
LIST_FIELDS = ("state", "pallet", "before")
HOLD_FIELDS = (
    *("id", "reason", "defect", "line", "machine", "made_from", "made_to", "accepted_risk"),
    "pallets",
)
STATES = ("open", "closed", "all")
# Each form of a hold's page, and its fields.
FORMS = {"pallets": PALLET_FIELDS, "extend": EXTEND_FIELDS, "notes": NOTE_FIELDS}
# A print of more pallets than this comes in parts.
PRINTED = 200


@hold_pages.get("/holds")
@permit("see")
def holds_page() -> tuple[str, int]:
    """Open holds, or those that are asked for."""
    form = asked(LIST_FIELDS)
    found: list[HoldView] = []
    try:
        found = holds(current_session(), _wanted(form), now())
    except TracelogError as problem:
        form = form.with_problem(problem)
    further = None
    if len(found) == MOST_HOLDS:
        pairs = {name: form.value(name) for name in ("state", "pallet") if form.value(name)}
        further = "/holds?" + urlencode({**pairs, "before": found[-1].number})
    shown = render_template(
        "trace/holds/holds.html", form=form, holds=found, further=further, query=_query(form)
    )
    return shown, 400 if form.is_faulty else 200


def _query(form: Form) -> str:
    pairs = {name: form.value(name) for name in ("state", "pallet") if form.value(name)}
    return "?" + urlencode(pairs) if pairs else ""


def _wanted(form: Form) -> HoldFilter:
    state = form.value("state") or ("all" if form.value("pallet") else "open")
    if state not in STATES:
        raise TracelogError(_("is not one of: open, closed, all"), "state")
    before = form.value("before")
    if before and not (before.isdecimal() and before.isascii() and len(before) < 10):
        raise TracelogError(_("is not the number of a hold; write digits only"), "before")
    is_open = {"open": True, "closed": False}.get(state)
    return HoldFilter(is_open, form.value("pallet") or None, int(before) if before else None)


@hold_pages.get("/holds.<kind>")
@permit("see")
def holds_file(kind: str) -> Response:
    """The list as a file."""
    demand_kind(kind)
    found = holds(current_session(), _wanted(asked(LIST_FIELDS)), now())
    return sheet_file(holds_sheet(found, the_plant_now().zone), "holds", kind)


@hold_pages.get("/holds/new")
@permit("see")
def new_hold() -> tuple[str, int]:
    """The form for a hold, filled in from a suspect window where one is asked for."""
    form = asked((*HOLD_FIELDS, "risk"))
    values = dict(form.values)
    values["accepted_risk"] = values["accepted_risk"] or values.pop("risk")
    for name in ("made_from", "made_to"):
        with suppress(ValueError):
            moment = parse_instant(values[name], the_plant_now().zone)
            values[name] = for_field(moment, the_plant_now().zone)
    form, window = Form(values), None
    try:
        window = _window(form)
        if window is not None and not form.value("pallets"):
            risk = float(form.value("accepted_risk") or USUAL_RISK)
            numbers = [one.pallet.pallet for one in window.held_at(risk)]
            form = Form({**values, "pallets": "\n".join(numbers)})
    except TracelogError as problem:
        form = form.with_problem(problem)
    return _new_page(form, window), 400 if form.is_faulty else 200


def _window(form: Form) -> SuspectWindow | None:
    """What the window that stands in a form reaches; None where none does."""
    names = ("machine", "made_from", "made_to", "accepted_risk")
    if not all(form.value(name) for name in names[:3]):
        return None
    told = {name: form.value(name) for name in names}
    fact = HoldFact.read({"reason": "-", **told}, the_plant_now().zone)
    return window_of(current_session(), fact, now())


def _new_page(form: Form, window: SuspectWindow | None) -> str:
    session = current_session()
    known = directory(session)
    risk = float(form.value("accepted_risk") or USUAL_RISK) if window is not None else USUAL_RISK
    return render_template(
        "trace/holds/new.html",
        form=form,
        window=window,
        reached=window.held_at(risk) if window is not None else (),
        risk=risk,
        risks=[(f"{one:g}", f"{figure(one * 100, 'g')} %") for one in RISKS],
        hold_id=form.own_id(),
        kinds=[(kind.defect, kind.title) for kind in vocabulary(session)],
        lines=[(str(line), _("line %(line)d", line=line)) for line in known.lines],
        machines=[one.text for one in known.bodymakers],
    )


@hold_pages.post("/holds")
@permit("hold stock")
def put_on_hold() -> AnyResponse | tuple[str, int]:
    """Raise a hold."""
    form = posted(HOLD_FIELDS)
    try:
        fact = HoldFact.read(form.values, the_plant_now().zone)
        raise_hold(current_session(), fact, current_actor(), now())
    except TracelogError as problem:
        return _new_page(form.with_problem(problem), None), problem.status
    flash(_("On hold. A hold tag goes on every pallet, and somebody finds each of them."))
    number = hold_row(current_session(), fact.id).number if fact.id is not None else ""
    return redirect(f"/holds/{number}".rstrip("/"), 303)


@hold_pages.get("/holds/<int:number>")
@permit("see")
def hold_page(number: int) -> str:
    """One hold: pallets, steps, and what can be written."""
    return _hold_page(hold_numbered(current_session(), number, now()), {})


def _hold_page(hold: HoldView, forms: dict[str, Form], ticked: tuple[str, ...] = ()) -> str:
    start = {"at": for_field(now(), the_plant_now().zone)}
    whole = [one for one in hold.steps if one.pallet is None]
    by_pallet = [one for one in hold.steps if one.pallet is not None]
    shown: dict[str, Any] = {
        name: forms.get(name, Form(start)) for name in ("pallets", "extend", "notes")
    }
    return render_template(
        "trace/holds/hold.html",
        hold=hold,
        forms=shown,
        ticked=ticked,
        state_of=pallet_state,
        words=step_words(),
        offered=_offered(),
        ends=_ends(),
        whole_steps=whole,
        late_steps=by_pallet[-PRINTED:],
        left_out=max(0, len(by_pallet) - PRINTED),
    )


def step_words() -> dict[str, str]:
    """What a step is, in words."""
    return {
        StepKind.HELD.value: _("put on hold"),
        StepKind.FOUND.value: _("found"),
        StepKind.MISSING.value: _("looked for in vain"),
        StepKind.INSPECTED.value: _("inspected by a way that sees the defect"),
        StepKind.LOOKED_OVER.value: _("inspected by a way that cannot see the defect"),
        StepKind.RELEASED.value: _("released"),
        StepKind.CONCEDED.value: _("released by written concession"),
        StepKind.SCRAPPED.value: _("scrapped"),
        StepKind.NOTE.value: _("a note"),
        StepKind.WIDENED.value: _("window widened"),
        StepKind.NARROWED.value: _("window narrowed"),
        StepKind.CLOSED.value: _("closed"),
    }


def _offered() -> list[tuple[str, str]]:
    """What may be written of pallets by who asks."""
    words, kinds = step_words(), [StepKind.FOUND, StepKind.MISSING]
    kinds += [StepKind.INSPECTED, StepKind.LOOKED_OVER]
    if may("release stock"):
        kinds += [one for one in StepKind if one in DECISIONS]
    return [(one.value, words[one.value]) for one in kinds]


def _ends() -> list[tuple[str, str]]:
    words = step_words()
    kinds = [StepKind.NOTE, StepKind.CLOSED] if may("release stock") else [StepKind.NOTE]
    return [(one.value, words[one.value]) for one in kinds]


@hold_pages.post("/holds/<int:number>/<what>")
@permit("hold stock")
def write_on_hold(number: int, what: str) -> AnyResponse | tuple[str, int]:
    """Write steps: of pallets, of the window and its pallets, or of the hold."""
    session, zone = current_session(), the_plant_now().zone
    if what not in FORMS:
        raise NotFound(_("a hold has no form '%(what)s'", what=what[:40]))
    fields = FORMS[what]
    form, ticked = posted(fields), tuple(dict.fromkeys(request.form.getlist("pallet")))
    hold = hold_numbered(session, number, now())
    try:
        if what == "pallets":
            steps = pallet_steps(hold, form.values, ticked, zone)
        elif what == "extend":
            steps = extension_steps(session, hold, form.values, zone, now())
        else:
            steps = [note_step(hold, form.values, zone)]
        demand_kept(write_steps(session, steps, current_actor(), now()))
    except NotFound:
        raise
    except TracelogError as problem:
        told = _hold_page(hold, {what: form.with_problem(problem)}, ticked)
        return told, problem.status
    flash(_("Written."))
    return redirect(f"/holds/{number}", 303)


@hold_pages.get("/holds/<int:number>/pallets.<kind>")
@permit("see")
def pallets_file(number: int, kind: str) -> Response:
    """The pallets of a hold as a file."""
    demand_kind(kind)
    hold = hold_numbered(current_session(), number, now())
    return sheet_file(pallets_sheet(hold, the_plant_now().zone), f"hold-{number}", kind)


@hold_pages.get("/holds/<int:number>/print")
@permit("see")
def print_hold(number: int) -> str:
    """The hold's pallets to walk along with: numbers large and as QR codes."""
    hold = hold_numbered(current_session(), number, now())
    part = request.args.get("part", "1")
    chosen = hold.held if hold.is_open else list(hold.pallets)
    parts = max(1, -(-len(chosen) // PRINTED))
    place = int(part) if part.isdecimal() and part.isascii() and len(part) < 4 else 1
    place = min(max(place, 1), parts)
    return render_template(
        "trace/holds/print.html",
        hold=hold,
        pallets=chosen[(place - 1) * PRINTED : place * PRINTED],
        part=place,
        parts=parts,
        qr_code=qr_code,
    )
