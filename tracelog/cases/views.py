"""The page of a case: what is known of it, what was done, and whether it held; and its print."""

import uuid
from collections.abc import Mapping
from dataclasses import replace

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog import reference
from tracelog.cases.facts import StepFact, StepKind
from tracelog.cases.links.facts import TARGETS
from tracelog.cases.opening.comparing import LEAST, beside, named
from tracelog.cases.opening.queries import KeptExplanation, explain_for_case, kept_explanation
from tracelog.cases.queries import case, case_signals
from tracelog.cases.since.drawing import picture_of
from tracelog.cases.step_actions import add_step
from tracelog.cases.whole.queries import whole_case
from tracelog.db import new_id
from tracelog.defects.photos.queries import photos_with_ids
from tracelog.errors import NotFound, TracelogError
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.web.forms import Form, posted
from tracelog.web.numbers import for_field
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

pages = Blueprint("cases", __name__)
STEP_FIELDS = ("id", "kind", "at", "text", "minutes_down", "change", "machine")
CONFIRMED_FIELDS = ("id", "at", "text")
# So many explanations of the opening stand on the page.
_TOLD = 3


@pages.get("/cases/<uuid:case_id>")
@permit("see")
def case_page(case_id: uuid.UUID) -> str:
    """One case: its steps, before against after, and all that belongs to it."""
    return page_of_case(case_id, {})


def page_of_case(case_id: uuid.UUID, forms: Mapping[str, Form]) -> str:
    """The page of a case.

    Args:
        case_id: which.
        forms: those that were sent and are wrong, by name: ``steps``, ``links``,
            ``unlinks``, ``photos``.
    """
    session, zone = current_session(), the_plant_now().zone
    whole = whole_case(session, case_id, now())
    standing, places = whole.standing, directory(session)
    words = step_words()
    offered = [
        one for one in words.items() if (one[0] == StepKind.REOPENED.value) != standing.is_open
    ]
    form = forms.get("steps", Form({"at": for_field(now(), zone)}))
    standing_links = [one for one in whole.links if one.stands]
    return render_template(
        "cases/case.html",
        whole=whole,
        case=standing.case,
        numbers=standing.verification,
        age=standing.case.age_days(now()),
        signals=case_signals(session, standing.case),
        causes=[(one, new_id()) for one in whole.causes],
        confirmed_at=now().isoformat(),
        kept=whole.kept,
        kept_told=[] if whole.kept is None else told_of(whole.kept),
        links=standing_links,
        photos=photos_with_ids(
            session, [one.key for one in standing_links if one.target == "photo"]
        ),
        course=list(zip(whole.course.moments, whole.course.points, strict=False)),
        drawing=picture_of(whole.course.points),
        form=form,
        step_id=form.own_id(),
        link_form=forms.get("links", Form()),
        unlink_form=forms.get("unlinks", Form()),
        photo_form=forms.get("photos", Form()),
        kinds=offered,
        words=words,
        changes=[(one.kind, _(one.name)) for one in reference.change_kinds()],
        machines=[one.text for one in places.bodymakers if one.line == standing.case.line],
        targets=list(target_words().items()),
        target_words=target_words(),
    )


def told_of(kept: KeptExplanation) -> list[tuple[str, float]]:
    """The likeliest explanations of a case's opening, in words, each with its probability."""
    zone = the_plant_now().zone
    return [
        (named(one, zone), float(one["probability"]))
        for one in kept.answer["explanations"][:_TOLD]
        if one["probability"] >= LEAST
    ]


def step_words() -> dict[str, str]:
    """What a step can be, in words."""
    return {
        StepKind.CHECKED.value: _("checked"),
        StepKind.FOUND.value: _("found"),
        StepKind.CHANGED.value: _("changed; kept as a change everywhere"),
        StepKind.ACTION.value: _("something else was done at the machine"),
        StepKind.NOTE.value: _("a note"),
        StepKind.CONFIRMED.value: _("confirmed cause"),
        StepKind.HELD.value: _("end: the numbers say it held"),
        StepKind.JUDGED.value: _("end: it held by my judgement, for this reason"),
        StepKind.DROPPED.value: _("end: without that"),
        StepKind.REOPENED.value: _("opened again"),
    }


def target_words() -> dict[str, str]:
    """What can be linked to a case, in words."""
    told = {
        "machine": _("machine"),
        "tool": _("tool"),
        "coil": _("coil"),
        "pallet": _("pallet"),
        "hold": _("hold"),
        "defect": _("kind of defect"),
        "entry": _("entry of the log"),
        "complaint": _("complaint"),
        "photo": _("photo"),
        "sequence_check": _("cans taken in order"),
    }
    return {target: told[target] for target in TARGETS}


@pages.get("/cases/<uuid:case_id>/print")
@permit("see")
def print_case(case_id: uuid.UUID) -> str:
    """One case on one page, for paper."""
    whole = whole_case(current_session(), case_id, now())
    return render_template(
        "cases/print.html",
        whole=whole,
        case=whole.standing.case,
        numbers=whole.standing.verification,
        age=whole.standing.case.age_days(now()),
        kept_told=[] if whole.kept is None else told_of(whole.kept),
        links=[one for one in whole.links if one.stands],
        drawing=picture_of(whole.course.points),
        course=list(zip(whole.course.moments, whole.course.points, strict=False)),
        words=step_words(),
        target_words=target_words(),
    )


@pages.get("/cases/<uuid:case_id>/explanation")
@permit("see")
def explanation_page(case_id: uuid.UUID) -> str:
    """What explained a case at its opening, beside what explains it now."""
    session = current_session()
    about = case(session, case_id, now()).case
    kept = kept_explanation(session, case_id)
    live = explain_for_case(session, about.defect, about.since_at, now())
    rows = [] if kept is None else beside(kept.answer, live.answer, the_plant_now().zone)
    return render_template(
        "cases/explanation.html", case=about, kept=kept, live=live, rows=rows, told=told_of(live)
    )


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
        return page_of_case(case_id, {"steps": form.with_problem(problem)}), problem.status
    flash(_("Written."))
    return redirect(f"/cases/{case_id}", 303)
