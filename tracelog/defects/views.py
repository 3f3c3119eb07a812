"""The Log: the pad and the typed line, the last entries, one entry with its corrections."""

import uuid
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.defects.actions import correct_entry, log_entries
from tracelog.defects.correction_form import (
    CORRECTION_FIELDS,
    as_shown,
    correction_of,
    seen_corrections,
    shown_changes,
)
from tracelog.defects.facts import EntryFact
from tracelog.defects.lately import defect_orders
from tracelog.defects.pad import (
    OFFER_FIELDS,
    PAD_FIELDS,
    entry_of,
    faults_at,
    pad_values,
    read_on_pad,
    said_otherwise,
    sent_before,
    settling,
)
from tracelog.defects.photos.queries import photos_of_entry
from tracelog.defects.queries import EntryRecord, entry, last_entries, vocabulary
from tracelog.defects.typed_line import read_typed_line
from tracelog.errors import BadFact, Conflict, Fault, TracelogError
from tracelog.instants import write_instant
from tracelog.language import _
from tracelog.outcomes import Became
from tracelog.plant.dome_code import parse_dome_code
from tracelog.plant.queries import Directory, directory
from tracelog.reference import stations
from tracelog.web.forms import Form, asked, posted
from tracelog.web.request import (
    current_actor,
    current_session,
    current_visitor,
    house,
    may,
    now,
    permit,
    the_plant_now,
)

pages = Blueprint("log", __name__)

MOST_SHOWN = 20
# The pad's first look: the defects that were logged lately; the rest one tap further.
FIRST_TILES = 12
# So many candidates are offered, the likeliest first.
MOST_OFFERED = 8


@pages.get("/log")
@permit("log entry")
def log_page() -> str:
    """The pad, the typed line, and the last entries."""
    return _page(asked(("line", "number", "found_at")), Form())


def _page(pad: Form, typed: Form) -> str:
    session = current_session()
    plant = directory(session)
    lines = {str(line): line for line in plant.lines}
    line = lines.get(pad.value("line"))
    orders = defect_orders(session, now())
    kinds = orders.of(line)
    return render_template(
        "defects/log.html",
        pad=Form({"cans": "1", **{k: v for k, v in pad.values.items() if v}}, pad.faults),
        typed=typed,
        pad_id=pad.own_id(),
        typed_id=typed.own_id(),
        lines=sorted({machine.line for machine in plant.bodymakers}),
        machines=[(one.line, one.number) for one in plant.bodymakers],
        numbers=sorted({machine.number for machine in plant.bodymakers}),
        first=kinds[:FIRST_TILES],
        further=sorted(kinds[FIRST_TILES:], key=lambda kind: kind.title),
        lately={
            text: [kind.defect for kind in orders.of(number)[:FIRST_TILES]]
            for text, number in {**lines, "": None}.items()
        },
        found_at=_found_at(plant, pad.value("found_at")),
        last=last_entries(session, MOST_SHOWN, line),
        offered=_offered_on_pad(pad),
    )


def _found_at(plant: Directory, chosen: str = "") -> list[str]:
    """Stations of this plant first, then those of the trade where a can may turn up.

    What is `chosen` is among them, so that the field does not forget it.
    """
    own = {machine.station for machine in plant.machines.values()} | ({chosen} - {""})
    order = {one.station: place for place, one in enumerate(stations())}
    known = sorted(own, key=lambda station: (order.get(station, len(order)), station))
    return [*known, *(one.station for one in stations() if one.station not in own)]


@pages.post("/log")
@permit("log entry")
def log_entry() -> AnyResponse | tuple[str, int]:
    """Keep what was tapped on the pad."""
    form = posted((*PAD_FIELDS, *OFFER_FIELDS))
    carried = {name: form.value(name) for name in ("id", "seen_at", "as_read")}
    if form.value("show"):
        return _page(form, Form()), 200
    try:
        fact = _keep(pad_values(form.values) | carried)
        if form.value("settled"):
            _settle(fact, form.value("settled"))
    except TracelogError as problem:
        shown = faults_at(problem, {"dome_code": "number", "values": "settled"})
        return _page(form.with_problem(shown), Form()), shown.status
    return _kept(fact, form.value("found_at"))


@pages.post("/log/typed")
@permit("log entry")
def log_typed() -> AnyResponse | tuple[str, int]:
    """Keep what was typed as one line: ``3-7 split 2``."""
    form = posted(("typed", "id", "as_read", "found_at"))
    carried = {name: form.value(name) for name in ("id", "as_read")}
    session = current_session()
    words = [kind.word for kind in vocabulary(session)]
    place = form.value("found_at")
    try:
        read = read_typed_line(form.value("typed"), words, _found_at(directory(session)))
        fact = _keep({**read, **carried})
    except TracelogError as problem:
        elsewhere = {one.field: "typed" for one in problem.faults}
        shown = faults_at(problem, {**elsewhere, "as_read": "as_read", "id": "id"})
        return _page(Form({"found_at": place}), form.with_problem(shown)), shown.status
    return _kept(fact, fact.found_at or place)


def _keep(values: Mapping[str, Any]) -> EntryFact:
    session = current_session()
    visitor = current_visitor()
    who = visitor.display_name if visitor else current_actor().name
    earlier = sent_before(session, values["id"])
    fact = entry_of(values, the_plant_now(), directory(session), who, now(), earlier)
    outcome = log_entries(session, [fact], current_actor(), now())[0]
    if outcome.is_conflict and earlier is not None:
        raise said_otherwise(earlier)
    if outcome.became is Became.REFUSED:
        raise BadFact(outcome.faults)
    return fact


def _settle(fact: EntryFact, code: str) -> None:
    """Settle what was just logged on the candidate that was tapped; the reading stays."""
    if code == str(fact.dome_code):
        return
    settled = settling(fact.id, fact.dome_code, code, the_plant_now().zone)
    correct_entry(current_session(), settled, current_actor(), now())


def _offered_on_pad(pad: Form) -> Sequence[Any]:
    """Candidates of a code that is not whole, or doubted, or that was asked about."""
    code = read_on_pad(pad.values)
    unsure = pad.value("unsure") == "yes"
    if code is None or not (pad.value("show") or unsure or "?" in str(code)):
        return ()
    return house().offer_candidates(
        current_session(),
        code,
        now(),
        is_doubted=unsure,
        seen_at=now(),
        found_at=pad.value("found_at") or None,
        pallet=pad.value("pallet") or None,
        coil=pad.value("coil") or None,
        defect=pad.value("defect") or None,
    )[:MOST_OFFERED]


def _offered_for(record: EntryRecord) -> Sequence[Any]:
    """Candidates of an entry by all that is known of it by now, by what was first read."""
    now_known = record.now
    read = record.original.dome_code or "?-?"
    return house().offer_candidates(
        current_session(),
        parse_dome_code(read),
        now(),
        is_doubted="?" not in read,
        made_at=now_known.made_at,
        seen_at=now_known.seen_at,
        found_at=now_known.found_at,
        pallet=now_known.pallet,
        coil=now_known.coil,
        defect=now_known.defect,
    )[:MOST_OFFERED]


def _kept(fact: EntryFact, found_at: str) -> AnyResponse:
    code = str(fact.dome_code) if fact.dome_code else _("no code")
    if fact.inspected is None:
        told = _(
            "Kept: %(code)s %(defect)s, %(cans)d.", code=code, defect=fact.defect, cans=fact.cans
        )
    else:
        told = _(
            "Kept: %(code)s %(defect)s, %(cans)d of %(inspected)d inspected.",
            code=code,
            defect=fact.defect,
            cans=fact.cans,
            inspected=fact.inspected,
        )
    flash(told)
    # Where cans are found stays the same for a while; everything else is asked anew.
    query = f"?{urlencode({'found_at': found_at})}" if found_at else ""
    return redirect(f"/log{query}", 303)


@pages.get("/log/<uuid:entry_id>")
@permit("see")
def entry_page(entry_id: uuid.UUID) -> str:
    """One entry: as it was logged, each correction, and as it stands."""
    record = entry(current_session(), entry_id)
    return _entry_page(record, _as_it_stands(record))


def _as_it_stands(record: EntryRecord) -> Form:
    return Form(as_shown(record, len(record.corrections), the_plant_now().zone))


def entry_page_with_photo(record: EntryRecord, photo_form: Form) -> str:
    """An entry's page that says what is wrong with a photo."""
    return _entry_page(record, _as_it_stands(record), photo_form)


def _entry_page(record: EntryRecord, form: Form, photo_form: Form | None = None) -> str:
    session, zone = current_session(), the_plant_now().zone
    seen = seen_corrections(form)
    kinds = sorted(vocabulary(session), key=lambda kind: kind.title)
    return render_template(
        "defects/entry.html",
        record=record,
        history=[(one, shown_changes(one, zone)) for one in record.corrections],
        trace_at=write_instant(record.now.occurred_at),
        form=form,
        offered=_offered_for(record) if may("correct entry") else (),
        correction_id=form.own_id(),
        seen=len(record.corrections) if seen is None else seen,
        kinds=[(kind.defect, kind.title) for kind in kinds],
        found_at=_found_at(directory(session), form.value("found_at")),
        photos=photos_of_entry(session, record.now.id),
        photo_form=photo_form or Form(),
    )


@pages.post("/log/<uuid:entry_id>")
@permit("correct entry")
def correct(entry_id: uuid.UUID) -> AnyResponse | tuple[str, int]:
    """Correct or withdraw an entry, with a reason; what it said stays on record."""
    form = posted(CORRECTION_FIELDS)
    session, seen = current_session(), seen_corrections(form)
    record = entry(session, entry_id)
    try:
        fact = correction_of(form, record, the_plant_now().zone)
        correct_entry(session, fact, current_actor(), now(), expected_corrections=seen)
    except Conflict as problem:
        # What the form said was said of something else: it is shown as it stands now.
        record = entry(session, entry_id)
        fresh = {**_as_it_stands(record).values, "reason": form.value("reason")}
        return _entry_page(record, Form(fresh).with_problem(problem)), problem.status
    except TracelogError as problem:
        return _entry_page(record, form.with_problem(problem)), problem.status
    flash(_told(fact.withdrawn))
    return redirect(f"/log/{entry_id}", 303)


@pages.post("/log/<uuid:entry_id>/settled")
@permit("correct entry")
def settle(entry_id: uuid.UUID) -> AnyResponse | tuple[str, int]:
    """Settle an entry on a candidate, by later evidence; the reading stays on record."""
    form = posted(("settled", "why", "corrections"))
    session, record = current_session(), entry(current_session(), entry_id)
    try:
        if not form.value("settled"):
            raise BadFact((Fault("settled", _("is missing; tap the machine that made the can")),))
        read = record.original.dome_code
        code = parse_dome_code(read) if read else None
        fact = settling(
            entry_id, code, form.value("settled"), the_plant_now().zone, form.value("why")
        )
        correct_entry(
            session, fact, current_actor(), now(), expected_corrections=seen_corrections(form)
        )
    except TracelogError as problem:
        shown = _as_it_stands(record).with_problem(problem)
        return _entry_page(record, shown), problem.status
    flash(_told(None))
    return redirect(f"/log/{entry_id}", 303)


def _told(withdrawn: bool | None) -> str:
    if withdrawn is None:
        return _("Corrected; what it said before stays on record.")
    if withdrawn:
        return _("Withdrawn; it stays on record.")
    return _("Brought back; it counts again.")
