"""The Dome-number check page: codes typed or tapped, and what they suggest."""

from contextlib import suppress
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response, render_template, request

from tracelog import reference
from tracelog.cases.domes.answers import domes_sheet
from tracelog.cases.domes.checking import DomesAnswer, check_domes
from tracelog.cases.domes.facts import DomesFact
from tracelog.cases.domes.wording import chance_words, headline, next_words, notes
from tracelog.errors import TracelogError
from tracelog.instants import parse_instant
from tracelog.language import _, figure
from tracelog.plant.queries import MachineView, directory
from tracelog.web.downloads import demand_kind, sheet_file
from tracelog.web.forms import Form, asked
from tracelog.web.numbers import for_field
from tracelog.web.request import current_session, now, permit, the_plant_now

dome_pages = Blueprint("domes", __name__)
FIELDS = tuple(DomesFact.model_fields)
HERE = "/cases/dome-numbers"
_INSTANTS = ("seen_from", "seen_at", "made_from", "made_to")
BACK = "back"


@dome_pages.get(HERE)
@permit("see")
def domes_page() -> tuple[str, int]:
    """The form; with codes in the address, what they suggest."""
    form, tapped = asked(FIELDS), request.args.get("tap", "")
    if tapped:
        return _page(_after_tap(form, tapped)), 200
    if not form.value("codes"):
        return _page(form), 200
    try:
        answer = _checked(form)
    except TracelogError as problem:
        return _page(form.with_problem(problem)), problem.status
    return _page(form, answer), 200


def _after_tap(form: Form, tapped: str) -> Form:
    codes = form.value("codes").split()
    codes = codes[:-1] if tapped == BACK else [*codes, tapped[:12]]
    return Form({**form.values, "codes": " ".join(codes)})


def _checked(form: Form) -> DomesAnswer:
    plant, session = the_plant_now(), current_session()
    fact = DomesFact.read(form.values, plant.zone)
    return check_domes(session, plant, directory(session), fact, now())


def _page(form: Form, answer: DomesAnswer | None = None) -> str:
    zone, known = the_plant_now().zone, directory(current_session())
    values = dict(form.values)
    for name in _INSTANTS:
        # Links give them with an offset, and a field of date and time takes none.
        with suppress(ValueError):
            if values[name]:
                values[name] = for_field(parse_instant(values[name], zone), zone)
    lines: dict[int, list[MachineView]] = {}
    for one in known.bodymakers:
        lines.setdefault(one.line, []).append(one)
    pairs = [(name, form.value(name)) for name in FIELDS if form.value(name)]
    return render_template(
        "cases/domes/domes.html",
        form=Form(values, form.faults),
        lines=lines,
        stations=[
            (one.station, _(one.name)) for one in reference.stations() if one.kind != "transport"
        ],
        query="?" + urlencode(pairs),
        answer=answer,
        **(_told(answer) if answer else {}),
    )


def _told(answer: DomesAnswer) -> dict[str, Any]:
    return {
        "headline": headline(answer),
        "next_words": next_words(answer),
        "notes": notes(answer),
        "rows": [
            (one, chance_words(one.share), figure(one.expected, ".1f")) for one in answer.machines
        ],
    }


@dome_pages.get(HERE + ".<kind>")
@permit("see")
def domes_file(kind: str) -> Response:
    """The machines as a file."""
    demand_kind(kind)
    answer = _checked(asked(FIELDS))
    return sheet_file(domes_sheet(answer, the_plant_now().zone), "dome-numbers", kind)
