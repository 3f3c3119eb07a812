"""The Log: the pad and the typed line, the last entries, one entry with its corrections."""

import uuid
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, flash, redirect, render_template, request
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
from tracelog.defects.pad import (
    OFFER_FIELDS,
    PAD_FIELDS,
    entry_of,
    faults_at,
    pad_values,
    said_otherwise,
    sent_before,
    settling,
)
from tracelog.defects.pad_page import MOST_OFFERED, log_pad, places_found_at
from tracelog.defects.photos.queries import photos_of_entry
from tracelog.defects.photos.sent import keep_sent_photos
from tracelog.defects.queries import EntryRecord, entry, vocabulary
from tracelog.defects.scanning import read_scan, typed_with_codes
from tracelog.defects.typed_line import read_typed_line
from tracelog.errors import BadFact, Conflict, Fault, TracelogError
from tracelog.instants import write_instant
from tracelog.language import _, in_words
from tracelog.outcomes import Became
from tracelog.plant.dome_code import parse_dome_code
from tracelog.plant.queries import directory
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


# Pictures come with the can, each as large as one that is kept or larger.
LARGEST_PAD_BYTES = 64 * 1024 * 1024


@pages.url_value_preprocessor
def make_room_for_pictures(endpoint: str | None, _values: Any) -> None:
    """Let the pad's form be larger than others, before anything of it is read."""
    if endpoint == "log.log_entry":
        request.max_content_length = LARGEST_PAD_BYTES


@pages.get("/log")
@permit("log entry")
def log_page() -> str:
    """The pad, the typed line, and the last entries."""
    return log_pad(asked(("line", "number", "found_at")), Form())


@pages.post("/log")
@permit("log entry")
def log_entry() -> AnyResponse | tuple[str, int]:
    """Keep what was tapped on the pad."""
    form = posted((*PAD_FIELDS, *OFFER_FIELDS))
    carried = {name: form.value(name) for name in ("id", "seen_at", "as_read")}
    if form.value("show"):
        return log_pad(form, Form()), 200
    try:
        fact = keep_entry(pad_values(form.values) | carried)
        if form.value("settled"):
            settle_on(fact, form.value("settled"))
    except TracelogError as problem:
        shown = faults_at(problem, {"dome_code": "number", "values": "settled"})
        return log_pad(form.with_problem(shown), Form()), shown.status
    for sentence in keep_sent_photos(fact.id):
        flash(sentence)
    return back_to_the_pad(form.value("found_at"))


@pages.post("/log/typed")
@permit("log entry")
def log_typed() -> AnyResponse | tuple[str, int]:
    """Keep what was typed as one line: ``3-7 split 2``."""
    form = posted(("typed", "id", "as_read", "found_at", "pallet", "coil"))
    carried = {name: form.value(name) for name in ("id", "as_read", "pallet", "coil")}
    try:
        fact = keep_entry(typed_values(form.value("typed")) | carried)
    except TracelogError as problem:
        return _not_logged(form, problem)
    return back_to_the_pad(fact.found_at or form.value("found_at"))


def typed_values(typed: str) -> dict[str, str]:
    """Fields of an entry from one typed line, on this plant.

    Raises:
        TracelogError: what is wrong with the line.
    """
    session = current_session()
    known = directory(session)
    words = [kind.word for kind in vocabulary(session)]
    line = typed_with_codes(session, typed, known, now())
    return read_typed_line(line, words, places_found_at(known))


def _not_logged(form: Form, problem: TracelogError) -> tuple[str, int]:
    """The page again; what was scanned alone is on its pad, and waits for its defect."""
    elsewhere = {one.field: "typed" for one in problem.faults}
    shown = faults_at(problem, {**elsewhere, "as_read": "as_read", "id": "id"})
    place = {"found_at": form.value("found_at")}
    try:
        session = current_session()
        scan = read_scan(session, form.value("typed"), directory(session), now())
    except TracelogError:
        return log_pad(Form(place), form.with_problem(shown)), shown.status
    pad = Form(place | dict(scan.fields))
    if _is_code(form.value("typed")):
        return log_pad(pad, form.with_problem(shown)), shown.status
    return log_pad(pad, Form(place), scan.sentence), 200


def _is_code(text: str) -> bool:
    try:
        return bool(parse_dome_code(text))
    except ValueError:
        return False


def keep_entry(values: Mapping[str, Any], logged_at: datetime | None = None) -> EntryFact:
    """Log what a form of the Log says, once, by who is signed in.

    Args:
        values: fields of an entry.
        logged_at: when it was logged, UTC; None: now.

    Raises:
        TracelogError: a field is wrong, or the form was sent before and said something else.
    """
    session = current_session()
    visitor = current_visitor()
    who = visitor.display_name if visitor else current_actor().name
    earlier = sent_before(session, values["id"])
    plant, logged_at = the_plant_now(), logged_at or now()
    fact = entry_of(values, plant, directory(session), who, logged_at, earlier)
    outcome = log_entries(session, [fact], current_actor(), now())[0]
    if outcome.is_conflict and earlier is not None:
        raise said_otherwise(earlier)
    if outcome.became is Became.REFUSED:
        raise BadFact(outcome.faults)
    return fact


def settle_on(fact: EntryFact, code: str) -> None:
    """Settle what was just logged on the candidate that was tapped; the reading stays."""
    if code == str(fact.dome_code):
        return
    settled = settling(fact.id, fact.dome_code, code, the_plant_now().zone)
    correct_entry(current_session(), settled, current_actor(), now())


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


def back_to_the_pad(found_at: str) -> AnyResponse:
    """The pad for the next can, which says what was kept.

    Where cans are found stays the same for a while; everything else is asked anew.
    """
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


def entry_page_with_problem(record: EntryRecord, problem: TracelogError) -> str:
    """An entry's page that says why it is not undone, and where it can be corrected instead."""
    return _entry_page(record, _as_it_stands(record).with_problem(problem))


def entry_page_with_photo(record: EntryRecord, photo_form: Form) -> str:
    """An entry's page that says what is wrong with a photo."""
    return _entry_page(record, _as_it_stands(record), photo_form)


def _entry_page(record: EntryRecord, form: Form, photo_form: Form | None = None) -> str:
    session, zone = current_session(), the_plant_now().zone
    seen = seen_corrections(form)
    kinds = sorted(vocabulary(session), key=lambda kind: in_words(kind.title))
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
        found_at=places_found_at(directory(session), form.value("found_at")),
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
