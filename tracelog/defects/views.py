"""The Log: the pad and the typed line, the last entries, one entry with its corrections."""

import uuid
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.db import new_id
from tracelog.defects.actions import correct_entry, log_entries
from tracelog.defects.facts import CORRECTABLE, CorrectionFact, EntryFact
from tracelog.defects.pad import PAD_FIELDS, entry_of, faults_at, pad_values
from tracelog.defects.queries import EntryView, entry, last_entries, recent_defects
from tracelog.defects.rules import DefectWord
from tracelog.defects.selecting import DefectView
from tracelog.defects.typed_line import read_typed_line
from tracelog.errors import BadFact, NotFound, TracelogError
from tracelog.facts import write_value
from tracelog.language import _
from tracelog.outcomes import Became
from tracelog.plant.queries import BODYMAKER, Directory, directory
from tracelog.reference import stations
from tracelog.web.forms import Form, asked, posted
from tracelog.web.numbers import for_field
from tracelog.web.request import (
    current_actor,
    current_session,
    current_visitor,
    now,
    permit,
    the_plant_now,
)

pages = Blueprint("log", __name__)

MOST_SHOWN = 20
# The pad's first look: the defects this line logged lately; the rest one tap further.
FIRST_TILES = 12
KEPT_FIELDS = ("line", "found_at")


@pages.get("/log")
@permit("log entry")
def log_page() -> str:
    """The pad, the typed line, and the last entries."""
    form = asked(("line", "number", "found_at", "defect"), {"cans": ""})
    return _page(form, Form())


def _page(pad: Form, typed: Form) -> str:
    session = current_session()
    plant = directory(session)
    line = pad.value("line")
    number = int(line) if line.isdecimal() and int(line) in plant.lines else None
    kinds = recent_defects(session, number, now())
    return render_template(
        "defects/log.html",
        pad=Form({"cans": "1", **{k: v for k, v in pad.values.items() if v}}, pad.faults),
        typed=typed,
        entry_id=pad.value("id") or str(new_id()),
        lines=sorted({machine.line for machine in plant.bodymakers}),
        machines=[(one.line, one.number) for one in plant.bodymakers],
        numbers=sorted({machine.number for machine in plant.bodymakers}),
        first=kinds[:FIRST_TILES],
        further=sorted(kinds[FIRST_TILES:], key=lambda kind: kind.title),
        found_at=_found_at(plant),
        last=last_entries(session, MOST_SHOWN, number),
    )


def _found_at(plant: Directory) -> list[str]:
    """Stations of this plant first, then those of the trade where a can may turn up."""
    own = dict.fromkeys(machine.station for machine in plant.machines.values())
    order = {one.station: place for place, one in enumerate(stations())}
    known = sorted(own, key=lambda station: (order.get(station, 99), station))
    return [*known, *(one.station for one in stations() if one.station not in own)]


@pages.post("/log")
@permit("log entry")
def log_entry() -> AnyResponse | tuple[str, int]:
    """Keep what was tapped on the pad."""
    form = posted(PAD_FIELDS)
    values = pad_values(form.values) | {name: form.value(name) for name in ("id", "seen_at")}
    try:
        fact = _keep({**values, "as_read": form.value("as_read")})
    except TracelogError as problem:
        shown = faults_at(problem, {"dome_code": ("number",)})
        return _page(form.with_problem(shown), Form()), shown.status
    return _kept(fact, form)


@pages.post("/log/typed")
@permit("log entry")
def log_typed() -> AnyResponse | tuple[str, int]:
    """Keep what was typed as one line: ``3-7 split 2``."""
    form = posted(("typed", "id", "as_read"))
    kinds = recent_defects(current_session(), None, now())
    words = [DefectWord(kind.defect, kind.name) for kind in kinds]
    try:
        values: Mapping[str, Any] = read_typed_line(
            form.value("typed"), words, _found_at(directory(current_session()))
        )
        fact = _keep({**values, "id": form.value("id"), "as_read": form.value("as_read")})
    except TracelogError as problem:
        shown = faults_at(
            problem, {fault.field: (_told_at(fault.field),) for fault in problem.faults}
        )
        return _page(Form(), form.with_problem(shown)), shown.status
    return _kept(fact, Form({"line": fact.dome_code.line if fact.dome_code else ""}))


def _told_at(field: str) -> str:
    return field if field == "as_read" else "typed"


def _keep(values: Mapping[str, Any]) -> EntryFact:
    session = current_session()
    visitor = current_visitor()
    who = visitor.display_name if visitor else current_actor().name
    fact = entry_of(values, the_plant_now(), directory(session), who, now())
    outcome = log_entries(session, [fact], current_actor(), now())[0]
    if outcome.became is Became.REFUSED:
        raise BadFact(outcome.faults)
    return fact


def _kept(fact: EntryFact, form: Form) -> AnyResponse:
    code = str(fact.dome_code) if fact.dome_code else _("no code")
    flash(_("Kept: %(code)s %(defect)s, %(cans)d.", code=code, defect=fact.defect, cans=fact.cans))
    remembered = {name: form.value(name) for name in KEPT_FIELDS if form.value(name).isalnum()}
    if form.value("found_at"):
        remembered["found_at"] = form.value("found_at")
    remembered.pop("line", None)
    query = f"?{urlencode(remembered)}" if remembered else ""
    return redirect(f"/log{query}", 303)


@pages.get("/log/<uuid:entry_id>")
@permit("see")
def entry_page(entry_id: uuid.UUID) -> str:
    """One entry: as it was logged, each correction, and as it stands."""
    record = entry(current_session(), entry_id)
    return _entry_page(entry_id, Form(_as_typed(record.now)))


def _as_typed(view: EntryView) -> dict[str, str]:
    zone = the_plant_now().zone
    typed = {}
    for name in CORRECTABLE:
        value = getattr(view, name)
        typed[name] = (
            for_field(value, zone)
            if name.endswith("_at")
            and name
            in (
                "seen_at",
                "made_at",
            )
            else write_value(value)
        )
    return typed


def _entry_page(entry_id: uuid.UUID, form: Form) -> str:
    session = current_session()
    record = entry(session, entry_id)
    kinds: Sequence[DefectView] = recent_defects(session, record.now.line, now())
    return render_template(
        "defects/entry.html",
        record=record,
        form=form,
        correction_id=form.value("id") or str(new_id()),
        kinds=[(kind.defect, kind.title) for kind in kinds],
        found_at=_found_at(directory(session)),
        bodymaker=BODYMAKER,
    )


@pages.post("/log/<uuid:entry_id>")
@permit("correct entry")
def correct(entry_id: uuid.UUID) -> AnyResponse | tuple[str, int]:
    """Correct or withdraw an entry, with a reason; what it said stays on record."""
    form = posted((*CORRECTABLE, "id", "reason", "withdrawn", "corrections"))
    try:
        before = entry(current_session(), entry_id)
        typed = _as_typed(before.now)
        changed = {
            name: form.value(name) for name in CORRECTABLE if form.value(name) != typed[name]
        }
        values: dict[str, Any] = {
            "id": form.value("id"),
            "entry": str(entry_id),
            "reason": form.value("reason"),
            "values": changed,
        }
        if (form.value("withdrawn") == "yes") != before.is_withdrawn:
            values["withdrawn"] = form.value("withdrawn") or "no"
        fact = CorrectionFact.read(values, the_plant_now().zone)
        seen = form.value("corrections")
        correct_entry(
            current_session(),
            fact,
            current_actor(),
            now(),
            expected_corrections=int(seen) if seen.isdecimal() else None,
        )
    except NotFound:
        raise
    except TracelogError as problem:
        return _entry_page(entry_id, form.with_problem(problem)), problem.status
    flash(_("Corrected; what it said before stays on record."))
    return redirect(f"/log/{entry_id}", 303)
