"""The Cases pages: what is looked into, what was done, and whether it held."""

import uuid
from dataclasses import replace

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.cases.actions import open_case
from tracelog.cases.facts import CaseFact, StepFact, StepKind
from tracelog.cases.queries import case, case_signals, cases, likely_causes
from tracelog.cases.step_actions import add_step
from tracelog.db import new_id
from tracelog.defects.queries import vocabulary
from tracelog.errors import NotFound, TracelogError
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.web.forms import Form, asked, posted
from tracelog.web.numbers import for_field
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

pages = Blueprint("cases", __name__)
CASE_FIELDS = ("id", "title", "defect", "place", "since_at")
STEP_FIELDS = ("id", "kind", "at", "text")
CONFIRMED_FIELDS = ("id", "at", "text")


@pages.get("/cases")
@permit("see")
def cases_page() -> str:
    """All cases, open ones first."""
    return _cases_page(asked(CASE_FIELDS))


def _cases_page(form: Form) -> str:
    session = current_session()
    known = directory(session)
    lines = [(str(line), _("line %(line)d", line=line)) for line in known.lines]
    return render_template(
        "cases/cases.html",
        cases=cases(session),
        form=form,
        case_id=form.own_id(),
        kinds=[(kind.defect, kind.title) for kind in vocabulary(session)],
        where=[*lines, *((one.text, one.text) for one in known.bodymakers)],
    )


@pages.post("/cases")
@permit("work on case")
def add_case() -> AnyResponse | tuple[str, int]:
    """Open a case."""
    form = posted(CASE_FIELDS)
    try:
        fact = CaseFact.read(form.values, the_plant_now().zone)
        open_case(current_session(), fact, current_actor(), now())
    except TracelogError as problem:
        return _cases_page(form.with_problem(problem)), problem.status
    flash(_("The case is open."))
    return redirect(f"/cases/{fact.id}" if fact.id else "/cases", 303)


@pages.get("/cases/<uuid:case_id>")
@permit("see")
def case_page(case_id: uuid.UUID) -> str:
    """One case: its steps, and before against after."""
    return _case_page(case_id, Form({"at": for_field(now(), the_plant_now().zone)}))


def _case_page(case_id: uuid.UUID, form: Form) -> str:
    standing = case(current_session(), case_id, now())
    words = step_words()
    offered = (
        [one for one in words if one[0] != StepKind.REOPENED.value]
        if standing.is_open
        else [one for one in words if one[0] == StepKind.REOPENED.value]
    )
    return render_template(
        "cases/case.html",
        signals=case_signals(current_session(), standing.case),
        standing=standing,
        causes=[(one, new_id()) for one in likely_causes(current_session(), standing.case)],
        confirmed_at=now().isoformat(),
        case=standing.case,
        numbers=standing.verification,
        form=form,
        step_id=form.own_id(),
        kinds=offered,
        words=dict(words),
    )


def step_words() -> list[tuple[str, str]]:
    """What a step can be, in words."""
    return [
        (StepKind.ACTION.value, _("something was done at the machine")),
        (StepKind.NOTE.value, _("a note")),
        (StepKind.CONFIRMED.value, _("confirmed cause")),
        (StepKind.HELD.value, _("end: the numbers say it held")),
        (StepKind.DROPPED.value, _("end: without that")),
        (StepKind.REOPENED.value, _("opened again")),
    ]


@pages.post("/cases/<uuid:case_id>")
@permit("work on case")
def write_step(case_id: uuid.UUID) -> AnyResponse | tuple[str, int]:
    """Write a step."""
    return _write(case_id, posted(STEP_FIELDS), {})


@pages.post("/cases/<uuid:case_id>/confirmed")
@permit("work on case")
def confirm_cause(case_id: uuid.UUID) -> AnyResponse | tuple[str, int]:
    """Write down which cause was confirmed."""
    return _write(case_id, posted(CONFIRMED_FIELDS), {"kind": StepKind.CONFIRMED.value})


def _write(case_id: uuid.UUID, form: Form, said: dict[str, str]) -> AnyResponse | tuple[str, int]:
    form = replace(form, values={**form.values, **said})
    try:
        fact = StepFact.read({"case": str(case_id), **form.values}, the_plant_now().zone)
        add_step(current_session(), fact, current_actor(), now())
    except NotFound:
        raise
    except TracelogError as problem:
        return _case_page(case_id, form.with_problem(problem)), problem.status
    flash(_("Written."))
    return redirect(f"/cases/{case_id}", 303)
