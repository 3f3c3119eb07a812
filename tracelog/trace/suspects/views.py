"""The page of suspect cans, and its pallets as a file."""

from contextlib import suppress
from datetime import timedelta
from urllib.parse import urlencode

from flask import Blueprint, Response, render_template

from tracelog.defects.queries import vocabulary
from tracelog.errors import NotFound, TracelogError
from tracelog.instants import parse_instant, write_instant
from tracelog.language import _, figure
from tracelog.plant.queries import directory
from tracelog.trace.suspects.asking import Suspects, suspects
from tracelog.trace.suspects.clearing import LEVELS, QUALITY_LEVELS, Clearing
from tracelog.trace.suspects.drawing import operating_curve
from tracelog.trace.suspects.planning import plan_for
from tracelog.trace.suspects.questions import OF_PLAN, OF_WISH, read_plan, read_wish
from tracelog.trace.suspects.rules import RISKS, USUAL_RISK, USUAL_SLACK, Tally, curve
from tracelog.trace.suspects.tables import pallets_sheet
from tracelog.trace.suspects.wording import check_words, event_words, few, missed_words
from tracelog.web.downloads import sheet_file
from tracelog.web.forms import Form, asked
from tracelog.web.numbers import for_field
from tracelog.web.request import current_session, now, permit, the_plant_now

suspect_pages = Blueprint("suspects", __name__)
FIELDS = (*OF_WISH, *OF_PLAN)
TIMES = ("bad_at", "good_at", "repaired_at")
# A longer list is for the file and the hold.
MOST_ROWS = 400


@suspect_pages.get("/trace/suspects")
@permit("see")
def suspects_page() -> tuple[str, int]:
    """Since when, which pallets, at which risk, and how to clear the rest."""
    form = asked(FIELDS)
    found: Suspects | None = None
    plan: Clearing | None = None
    # A link from a machine's page fills in the machine and asks nothing yet.
    if any(form.value(name) for name in ("defect", *TIMES)):
        try:
            found, plan = _found(form)
        except TracelogError as problem:
            form = form.with_problem(problem)
    session, zone = current_session(), the_plant_now().zone
    shown = render_template(
        "trace/suspects.html",
        form=_for_fields(form),
        found=found,
        plan=plan,
        figure=operating_curve(plan) if plan else None,
        kinds=[(kind.defect, kind.title) for kind in vocabulary(session)],
        risks=[(f"{one:g}", f"{figure(one * 100, 'g')} %") for one in RISKS],
        qualities=[(f"{one:g}", f"{figure(one, 'g')} %") for one in QUALITY_LEVELS],
        levels=LEVELS,
        usual_risk=f"{USUAL_RISK:g}",
        tallies=_tallies(found),
        held=_held(found),
        most=MOST_ROWS,
        hold_links=_hold_links(found),
        query=urlencode({name: form.value(name) for name in FIELDS if form.value(name)}),
        link=lambda **changed: _link(form, **changed),
        check_words=lambda one: check_words(one, zone),
        event_words=lambda one: event_words(one, zone),
        missed_words=missed_words,
        few=few,
        written=write_instant,
    )
    return shown, 400 if form.is_faulty else 200


@suspect_pages.get("/trace/suspects/pallets.<kind>")
@permit("see")
def suspects_file(kind: str) -> Response:
    """The pallets as CSV or XLSX."""
    if kind not in ("csv", "xlsx"):
        raise NotFound(_("there is no such file; there are csv and xlsx"))
    found, _plan = _found(asked(FIELDS))
    sheet = pallets_sheet(found, directory(current_session()), the_plant_now().zone)
    return sheet_file(sheet, "suspect-pallets", kind)


def _found(form: Form) -> tuple[Suspects, Clearing | None]:
    session = current_session()
    wish = read_wish(form.values, directory(session), the_plant_now().zone)
    plan = read_plan(form.values)
    found = suspects(session, wish, now())
    return found, plan_for(session, found, plan)


def _tallies(found: Suspects | None) -> list[Tally]:
    if found is None:
        return []
    risks = sorted({*RISKS, found.wish.risk})
    return curve(found.window.pallets, risks)


def _held(found: Suspects | None) -> set[str]:
    if found is None:
        return set()
    return {one.pallet.pallet for one in found.window.held_at(found.wish.risk)}


def _hold_links(found: Suspects | None) -> list[tuple[str, str]]:
    """A hold for each machine in question: a hold is of one machine."""
    if found is None or not found.window.pallets:
        return []
    # What is put on hold there is found anew with the usual slack.
    more = max(found.wish.slack - USUAL_SLACK, timedelta(0))
    question = found.window.question
    told = {
        "defect": found.wish.defect or "",
        "made_from": write_instant(question.made_from - more),
        "made_to": write_instant(min(question.made_to + more, found.window.as_of)),
        "risk": f"{found.wish.risk:g}",
    }
    return [
        (machine.text, "/holds/new?" + urlencode({"machine": machine.text, **told}))
        for machine in found.machines
    ]


def _link(form: Form, **changed: str) -> str:
    """The same question with some fields changed."""
    values = {name: form.value(name) for name in FIELDS} | changed
    return "/trace/suspects?" + urlencode({name: one for name, one in values.items() if one})


def _for_fields(form: Form) -> Form:
    """Instants with an offset, as links give them, in plant time for the fields of the form."""
    zone, values = the_plant_now().zone, dict(form.values)
    for name in TIMES:
        with suppress(ValueError):
            values[name] = for_field(parse_instant(values[name], zone), zone)
    return Form(values, form.faults)
