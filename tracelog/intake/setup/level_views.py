"""Setting up the levels of service: what falls due after how many strokes or days."""

from collections.abc import Sequence

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response

from tracelog import reference
from tracelog.errors import BadFact, Fault, TracelogError
from tracelog.intake.setup.machine_views import written
from tracelog.intake.setup.rules import mark_of
from tracelog.intake.setup.standing import levels_on_record
from tracelog.intake.setup.views import ANY_ZONE, demand_unchanged, the_plant_text
from tracelog.language import _
from tracelog.outcomes import demand_kept
from tracelog.plant.queries import BODYMAKER
from tracelog.service.actions import record_service_levels
from tracelog.service.facts import ServiceLevelFact
from tracelog.web.forms import Form, posted
from tracelog.web.request import current_actor, current_session, now, permit

level_pages = Blueprint("setup_levels", __name__)

HERE = "/setup/service-levels"
COLUMNS = ServiceLevelFact.columns()
MORE_ROWS = 2
MOST_ROWS = 40


@level_pages.get(HERE)
@permit("set up plant")
def levels_page() -> str:
    """The plant's levels; before there are any, those that are usual, to be looked through."""
    there = levels_on_record(current_session())
    rows = [written(one) for one in there] or _usual()
    values = {"rows": str(len(rows) + MORE_ROWS)}
    for place, row in enumerate(rows):
        values |= {f"{name}-{place}": row[name] for name in COLUMNS}
    for place in range(len(rows), len(rows) + MORE_ROWS):
        values[f"station-{place}"] = BODYMAKER
    return _page(Form(values), there)


def _usual() -> list[dict[str, str]]:
    shipped = [
        ServiceLevelFact.read({name: getattr(one, name) for name in COLUMNS}, ANY_ZONE)
        for one in reference.service_levels()
    ]
    return [written(one) for one in shipped]


def _page(form: Form, there: Sequence[ServiceLevelFact]) -> str:
    return render_template(
        "setup/levels.html",
        form=form,
        row_places=range(_rows_of(form)),
        known=[(one.station, one.service) for one in there],
        usual={one.service: one.work for one in reference.service_levels()},
        has_plant=the_plant_text() is not None,
        shown=mark_of(_shown(there)),
    )


def _rows_of(form: Form) -> int:
    text = form.value("rows")
    return min(MOST_ROWS, int(text)) if text.isdecimal() and text.isascii() else MORE_ROWS


def _shown(there: Sequence[ServiceLevelFact]) -> list[object]:
    return [written(one) for one in there]


@level_pages.post(HERE)
@permit("set up plant")
def keep_levels() -> Response | tuple[str, int]:
    """Keep the levels of all rows; a row without a name of the service is left out."""
    sent = posted(("rows",))
    names = [f"{name}-{place}" for place in range(_rows_of(sent)) for name in COLUMNS]
    form = posted(("rows", "shown", *names))
    session = current_session()
    there = levels_on_record(session)
    try:
        demand_unchanged(form, _shown(there))
        facts = _levels(form)
        demand_kept(record_service_levels(session, facts, current_actor(), now()))
    except TracelogError as problem:
        return _page(form.with_problem(problem), there), problem.status
    flash(_("The levels of service are kept."))
    return redirect("/setup", 303)


def _levels(form: Form) -> list[ServiceLevelFact]:
    faults: list[Fault] = []
    facts: list[ServiceLevelFact] = []
    for place in range(_rows_of(form)):
        typed = {name: form.value(f"{name}-{place}") for name in COLUMNS}
        if not any(typed[name] for name in COLUMNS[1:]):
            continue
        try:
            fact = ServiceLevelFact.read(typed, ANY_ZONE)
            if fact.interval_strokes is None and fact.interval_days is None:
                raise BadFact(
                    (Fault("interval_strokes", _("is missing; give strokes, days, or both")),)
                )
            if fact.key in [one.key for one in facts]:
                raise BadFact((Fault("service", _("stands in an earlier row; keep one of them")),))
            facts.append(fact)
        except BadFact as problem:
            faults += [Fault(f"{fault.field}-{place}", fault.sentence) for fault in problem.faults]
    if not faults and not facts:
        faults.append(Fault("service-0", _("is missing; name at least one level")))
    if faults:
        raise BadFact(tuple(faults))
    return facts
