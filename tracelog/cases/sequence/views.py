"""The Sequence check pages: cans tapped in order, what they say, and earlier checks."""

import uuid
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response, flash, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from tracelog import reference
from tracelog.cases.sequence.actions import keep_sequence_check
from tracelog.cases.sequence.answering import Answer, weigh_row
from tracelog.cases.sequence.answers import checks_sheet
from tracelog.cases.sequence.facts import LETTERS, RowFact, SequenceCheckFact
from tracelog.cases.sequence.laying import lay
from tracelog.cases.sequence.queries import CheckFilter, sequence_check, sequence_checks
from tracelog.cases.sequence.wording import headline, next_words, points_to, slip_words
from tracelog.defects.queries import vocabulary
from tracelog.errors import TracelogError
from tracelog.instants import write_instant
from tracelog.language import _
from tracelog.outcomes import demand_kept
from tracelog.plant.part_queries import station_parts
from tracelog.plant.queries import directory
from tracelog.stats.repeats import LARGEST_KNOWN, MOST_CANS
from tracelog.web.downloads import demand_kind, sheet_file
from tracelog.web.forms import Form, asked, posted
from tracelog.web.numbers import for_field
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

sequence_pages = Blueprint("sequence", __name__)
ROW_FIELDS = ("line", "taken_after", "cans", "taken", "bad", "unseen")
FIELDS = ("id", "defect", "taken_at", "note", *ROW_FIELDS)
HERE = "/cases/sequence"
BACK = "back"
# So many earlier checks stand under the pad.
_EARLIER = 12


@sequence_pages.get(HERE)
@permit("see")
def sequence_page() -> tuple[str, int]:
    """The pad; with a row in the address, what it says."""
    form = asked(FIELDS, {"taken_at": for_field(now(), the_plant_now().zone)})
    if not any(form.value(name) for name in ("cans", "taken")):
        return _page(form), 200
    try:
        answer = _weighed(form)
    except TracelogError as problem:
        return _page(form.with_problem(problem)), problem.status
    return _page(form, answer), 200


def _weighed(form: Form) -> Answer:
    fact = RowFact.read({name: form.value(name) for name in ROW_FIELDS}, the_plant_now().zone)
    directory(current_session()).line(fact.line)
    parts = station_parts(current_session(), fact.line)
    return weigh_row(fact.line, fact.taken_after, fact.row, parts)


def _page(form: Form, answer: Answer | None = None) -> str:
    session = current_session()
    line = form.value("line")
    wanted = CheckFilter(int(line) if line.isdecimal() and len(line) < 4 else None)
    letters = [one for one in form.value("cans").lower() if one in LETTERS]
    return render_template(
        "cases/sequence/sequence.html",
        form=form,
        check_id=form.own_id(),
        lines=[(str(one), str(one)) for one in sorted(directory(session).lines)],
        kinds=[(kind.defect, kind.title) for kind in vocabulary(session)],
        stations=[
            (one.station, _(one.name)) for one in reference.stations() if one.kind == "process"
        ],
        letters=letters,
        most=MOST_CANS,
        checks=sequence_checks(session, wanted, now(), _EARLIER),
        **(_told(answer) if answer else {"answer": None}),
    )


def _told(answer: Answer) -> dict[str, Any]:
    """What templates show of an answer."""
    best = answer.numbers[0] if answer.numbers else None
    known = sorted({*answer.known, *(one.every for one in answer.numbers)})
    every = _rows_of(best.every if best is not None and best.probability > 0.1 else 12)
    same = next((one for one in answer.weighed.repeats if one.every == every), None)
    is_likely = any(one.every == every and one.probability >= 0.1 for one in answer.numbers)
    pairs = [
        (name, value)
        for name, value in request.args.items()
        if name in FIELDS and value and name != "id"
    ]
    return {
        "answer": answer,
        "weighed": answer.weighed,
        "headline": headline(answer),
        "numbers": [(one, points_to(answer, one)) for one in answer.numbers],
        "slip": slip_words(answer),
        "next_words": next_words(answer),
        "laid": lay(answer.cans, every, same.places if same is not None and is_likely else ()),
        "turns": [(one, "?" + urlencode([*pairs, ("rows", one)])) for one in known],
    }


def _rows_of(otherwise: int) -> int:
    text = request.args.get("rows", "")
    if not text:
        return otherwise
    if not (text.isdecimal() and text.isascii() and 1 <= int(text[:9]) <= LARGEST_KNOWN):
        raise TracelogError(
            _("is not a number of cans; it must be from 1 to %(most)d", most=LARGEST_KNOWN), "rows"
        )
    return int(text)


@sequence_pages.post(HERE)
@permit("log entry")
def keep_sequence() -> AnyResponse | tuple[str, int]:
    """Tap one can, show what the row says, or keep it."""
    form, tapped = posted(FIELDS), request.form.get("tap", "")
    if tapped:
        cans = form.value("cans")
        if tapped in LETTERS and len(cans) < MOST_CANS:
            cans += tapped
        elif tapped == BACK:
            cans = cans[:-1]
        return _page(Form({**form.values, "cans": cans})), 200
    zone = the_plant_now().zone
    try:
        if request.form.get("do") == "show":
            _weighed(form)
            pairs = [(name, form.value(name)) for name in FIELDS if form.value(name)]
            return redirect(f"{HERE}?{urlencode(pairs)}", 303)
        fact = SequenceCheckFact.read(form.values, zone)
        demand_kept([keep_sequence_check(current_session(), fact, current_actor(), now())])
    except TracelogError as problem:
        return _page(form.with_problem(problem)), problem.status
    flash(_("The row is kept."))
    return redirect(f"{HERE}/{fact.id}" if fact.id else HERE, 303)


@sequence_pages.get(HERE + "/<uuid:check_id>")
@permit("see")
def check_page(check_id: uuid.UUID) -> str:
    """One row that was kept, and what it says."""
    one = sequence_check(current_session(), check_id, now())
    parts = station_parts(current_session(), one.line)
    bad = [str(at + 1) for at, letter in enumerate(one.cans) if letter == "b"]
    again = [("line", one.line), ("taken_after", one.taken_after), ("defect", one.defect)]
    return render_template(
        "cases/sequence/check.html",
        check=one,
        bad=", ".join(bad) or _("none"),
        again=f"{HERE}?{urlencode(again)}",
        explain="/cases/explain?" + urlencode([("defect", one.defect)]),
        taken_at=write_instant(one.taken_at),
        **_told(weigh_row(one.line, one.taken_after, one.cans, parts)),
    )


@sequence_pages.get(HERE + ".<kind>")
@permit("see")
def checks_file(kind: str) -> Response:
    """Earlier checks as a file."""
    demand_kind(kind)
    line = request.args.get("line", "")
    wanted = CheckFilter(int(line) if line.isdecimal() and len(line) < 4 else None)
    found = sequence_checks(current_session(), wanted, now())
    return sheet_file(checks_sheet(found, the_plant_now().zone), "sequence-checks", kind)
