"""Setting up a plant in the browser: the first page, the plant itself, and its lines."""

from zoneinfo import ZoneInfo, available_timezones

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response

from tracelog.defects.vocabulary.actions import seed_vocabulary
from tracelog.errors import BadFact, Conflict, Fault, NoPlant, TracelogError
from tracelog.instants import zone_named
from tracelog.intake.derived import Standing as Derived
from tracelog.intake.derived import derive_again
from tracelog.intake.plant_file import PlantText
from tracelog.intake.queries import plant_text, rows_of
from tracelog.intake.setup.rules import mark_of, numbers_of
from tracelog.intake.setup.standing import standing, steps
from tracelog.language import _
from tracelog.outcomes import demand_kept
from tracelog.plant.actions import record_lines, record_plant
from tracelog.plant.facts import LineFact, PlantFact, TransitFact
from tracelog.web.forms import Form, posted
from tracelog.web.request import current_actor, current_session, now, permit

setup_pages = Blueprint("setup", __name__)

PLANT_FIELDS = ("name", "time_zone", "shortest", "longest", "shown")
LINE_FIELDS = ("lines", "shown")
# Nothing that is set up here has an instant without an offset, so any zone reads it alike.
ANY_ZONE: ZoneInfo = zone_named("UTC")


def demand_unchanged(form: Form, shown: object) -> None:
    """Tell the later of two people who change the same thing that it is not what they saw.

    Raises:
        Conflict: what stands on record now is not what their page showed.
    """
    if form.value("shown") != mark_of(shown):
        raise Conflict(
            _(
                "somebody has changed this since the page was opened. What stands now is shown"
                " above; look whether yours is still right, and keep it once more"
            )
        )


def the_plant_text() -> PlantText | None:
    """What is on record of the plant itself, None before there is one."""
    try:
        return plant_text(current_session())
    except NoPlant:
        return None


def zone_suggestions() -> list[str]:
    """Time zones of places, in order."""
    return sorted(
        name
        for name in available_timezones()
        if "/" in name and not name.startswith(("Etc/", "SystemV/", "US/", "posix/", "right/"))
    )


@setup_pages.get("/setup")
@permit("set up plant")
def setup_page() -> str:
    """What is there, what is missing, and what comes next."""
    found = standing(current_session(), now())
    return render_template("setup/setup.html", found=found, steps=steps(found))


@setup_pages.get("/setup/plant")
@permit("set up plant")
def plant_page() -> str:
    """The plant's name, its clock, and the way of a can."""
    there = the_plant_text()
    values = {}
    if there is not None:
        shortest, longest = there.transit_minutes or ("", "")
        values = {
            "name": there.name,
            "time_zone": there.time_zone,
            "shortest": str(shortest),
            "longest": str(longest),
        }
    return _plant_page(Form(values), there)


def _plant_page(form: Form, there: PlantText | None) -> str:
    return render_template(
        "setup/plant.html",
        form=form,
        there=there,
        zones=zone_suggestions(),
        shown=mark_of(_plant_shown(there)),
    )


def _plant_shown(there: PlantText | None) -> list[object]:
    return [there and [there.name, there.time_zone, there.transit_minutes]]


@setup_pages.post("/setup/plant")
@permit("set up plant")
def keep_plant() -> Response | tuple[str, int]:
    """Keep them; a new plant starts with the built-in kinds of defect."""
    form = posted(PLANT_FIELDS)
    session, there = current_session(), the_plant_text()
    before = Derived.of(session)
    try:
        demand_unchanged(form, _plant_shown(there))
        name = there.name if there is not None else form.value("name")
        values: dict[str, object] = {"name": name, "time_zone": form.value("time_zone")}
        if form.value("shortest") or form.value("longest"):
            values["transit"] = {"minutes": [form.value("shortest"), form.value("longest")]}
        demand_kept(
            record_plant(session, [_plant_fact(values)], current_actor(), now()),
            {"transit": "shortest"},
        )
    except TracelogError as problem:
        return _plant_page(form.with_problem(problem), there), problem.status
    if there is None:
        seed_vocabulary(session, current_actor(), now())
    derive_again(session, before, now())
    flash(_("The plant is kept."))
    return redirect("/setup", 303)


def _plant_fact(values: dict[str, object]) -> PlantFact:
    """The fact, with what is wrong with the minutes told at their fields."""
    try:
        transit = values.get("transit")
        if isinstance(transit, dict):
            if not all(transit["minutes"]):
                raise BadFact((Fault("minutes", _("is only half of it; give both or neither")),))
            values = {**values, "transit": TransitFact.read(transit, ANY_ZONE)}
    except BadFact as problem:
        raise BadFact(tuple(Fault("shortest", f.sentence) for f in problem.faults)) from None
    return PlantFact.read(values, ANY_ZONE)


@setup_pages.get("/setup/lines")
@permit("set up plant")
def lines_page() -> str:
    """The lines, with their names, and where to add some."""
    return _lines_page(Form())


def _lines_page(form: Form) -> str:
    there = _lines_there()
    return render_template(
        "setup/lines.html",
        form=Form(
            {**{f"name-{line}": name or "" for line, name in there}, **form.values}, form.faults
        ),
        lines=[line for line, _name in there],
        has_plant=the_plant_text() is not None,
        shown=mark_of(there),
    )


def _lines_there() -> list[tuple[int, str | None]]:
    return [(row[0], row[1]) for row in rows_of(current_session(), "lines.csv")]


@setup_pages.post("/setup/lines")
@permit("set up plant")
def keep_lines() -> Response | tuple[str, int]:
    """Add lines, and give those that are there another name."""
    session, there = current_session(), _lines_there()
    numbers = [line for line, _name in there]
    form = posted((*LINE_FIELDS, *(f"name-{line}" for line in numbers)))
    before = Derived.of(session)
    try:
        demand_unchanged(form, there)
        facts = [_line_fact(line, form.value(f"name-{line}")) for line in numbers]
        if form.value("lines") or not there:
            facts += [_line_fact(line, "") for line in _new_lines(form, numbers)]
        demand_kept(record_lines(session, facts, current_actor(), now()))
    except TracelogError as problem:
        return _lines_page(form.with_problem(problem)), problem.status
    derive_again(session, before, now())
    flash(_("The lines are kept."))
    return redirect("/setup/lines" if there else "/setup/machines", 303)


def _line_fact(line: int, name: str) -> LineFact:
    try:
        return LineFact.read({"line": line, "name": name}, ANY_ZONE)
    except BadFact as problem:
        faults = tuple(Fault(f"name-{line}", fault.sentence) for fault in problem.faults)
        raise BadFact(faults) from None


def _new_lines(form: Form, there: list[int]) -> list[int]:
    try:
        wanted = numbers_of(form.value("lines"))
    except ValueError as problem:
        raise TracelogError(str(problem), "lines") from None
    known = [line for line in wanted if line in there]
    if known:
        raise TracelogError(
            _("has line %(line)d, which is there already; leave it out", line=known[0]), "lines"
        )
    return wanted
