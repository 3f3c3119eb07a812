"""What the Log does beside logging anew: undo within the minute, the same again, read a scan."""

import uuid

from flask import Blueprint, Response, flash
from werkzeug.wrappers import Response as AnyResponse

from tracelog.defects.actions import correct_entry
from tracelog.defects.own_last import is_same_tap, undoing
from tracelog.defects.pad import PAD_FIELDS, faults_at, pad_values
from tracelog.defects.pad_page import log_pad
from tracelog.defects.queries import entry
from tracelog.defects.scanning import read_scan
from tracelog.defects.views import back_to_the_pad, entry_page_with_problem, keep_entry
from tracelog.errors import Conflict, TracelogError
from tracelog.facts import read_id
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.web.forms import Form, asked, posted
from tracelog.web.request import current_actor, current_session, now, permit
from tracelog.web.strict_json import answer_json

pad_pages = Blueprint("pad", __name__)


@pad_pages.post("/log/<uuid:entry_id>/undo")
@permit("log entry")
def undo(entry_id: uuid.UUID) -> AnyResponse | tuple[str, int]:
    """Withdraw what the same person logged within the minute; it stays on record.

    Once it is too late, the entry's page, where it can be corrected.
    """
    session, actor = current_session(), current_actor()
    form = posted(("found_at",))
    record = entry(session, entry_id)
    try:
        fact = undoing(session, record, actor, now())
        if fact is not None:
            correct_entry(session, fact, actor, now(), len(record.corrections))
    except Conflict as problem:
        return entry_page_with_problem(record, problem), problem.status
    code = record.now.dome_code or _("no code")
    flash(
        _(
            "Undone: %(code)s %(defect)s is withdrawn; it stays on record.",
            code=code,
            defect=record.now.defect,
        )
    )
    return back_to_the_pad(form.value("found_at"))


@pad_pages.post("/log/again")
@permit("log entry")
def log_again() -> AnyResponse | tuple[str, int]:
    """Log another can like the last one: same code, same defect, seen now.

    A tap that bounces, on the form of an entry that was kept a moment ago, logs nothing more.
    """
    form = posted((*PAD_FIELDS, "again"))
    carried = {name: form.value(name) for name in ("id", "seen_at", "as_read")}
    try:
        again = read_id(form.value("again"))
    except ValueError:
        again = None
    if again is not None and is_same_tap(current_session(), again, current_actor(), now()):
        return back_to_the_pad(form.value("found_at"))
    try:
        keep_entry(pad_values(form.values) | carried)
    except TracelogError as problem:
        shown = faults_at(problem, {"dome_code": "number"})
        return log_pad(form.with_problem(shown), Form()), shown.status
    return back_to_the_pad(form.value("found_at"))


@pad_pages.get("/log/scan")
@permit("log entry")
def scanned() -> Response:
    """What a scanned text fills in on the pad, and one sentence that says so, for its script."""
    session = current_session()
    text = asked(("text",)).value("text")
    try:
        scan = read_scan(session, text, directory(session), now())
    except TracelogError as problem:
        return answer_json({"fields": {}, "sentence": problem.sentence})
    return answer_json({"fields": dict(scan.fields), "sentence": scan.sentence})
