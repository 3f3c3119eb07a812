"""The Trace page: the dossier of a can, and the reverse: what something made."""

from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime
from typing import Any, TypeVar
from urllib.parse import urlencode

from flask import Blueprint, Response, render_template

from tracelog.errors import NotFound, TracelogError, UnknownReference
from tracelog.instants import parse_instant, write_instant
from tracelog.language import _
from tracelog.plant.dome_code import parse_dome_code
from tracelog.plant.queries import directory
from tracelog.reference import stations
from tracelog.trace.candidates import Candidate
from tracelog.trace.dossier import Dossier, dossier
from tracelog.trace.dossier_axis import dossier_axis
from tracelog.trace.epcis_queries import epcis_of
from tracelog.trace.making import Question, read_certainty, read_time_code
from tracelog.trace.tables import MOST_ROWS, TABLES, used_sheet
from tracelog.trace.where_used import WhereUsed, usual_start, where_used
from tracelog.trace.where_used_stretches import KINDS, change_name
from tracelog.trends.signals.wording import says
from tracelog.web.downloads import sheet_file
from tracelog.web.forms import Form, asked
from tracelog.web.numbers import for_field
from tracelog.web.request import current_session, house, now, permit, the_plant_now
from tracelog.web.strict_json import answer_json

pages = Blueprint("trace", __name__)
FIELDS = (
    *("code", "at", "pallet", "coil", "kind", "name", "tool", "machine", "crew", "change"),
    *("from", "to", "certainty", "seen_at", "found_at", "time_code", "defect"),
)
_OF_CAN_ALONE = ("at", "seen_at", "found_at", "time_code")
_KNOWN = ("at", "pallet", "coil", "seen_at", "found_at", "time_code")
# So many rows are shown; files have all.
MOST_SHOWN = 60

Value = TypeVar("Value")


@pages.get("/trace")
@permit("see")
def trace_page() -> tuple[str, int]:
    """From two numbers to everything they touch."""
    form = _shortened(asked(FIELDS))
    found: Dossier | None = None
    used: WhereUsed | None = None
    try:
        if form.value("name"):
            used = _where_used(form, MOST_SHOWN, MOST_SHOWN)
        elif any(form.value(name) for name in ("code", "pallet", "coil")):
            found = _dossier(form)
        elif form.value("at"):
            raise TracelogError(_("is missing; write a code such as 3-7, or ?-?"), "code")
    except TracelogError as problem:
        form = form.with_problem(problem)
    machines = directory(current_session())
    shown = render_template(
        "trace/trace.html",
        form=_for_fields(form),
        found=found,
        axis=dossier_axis(found, the_plant_now().zone) if found and found.candidates else None,
        entries_link=_entries_link(found),
        used=used,
        kinds=_kinds(),
        link=lambda one: _settled_link(form, one),
        code_link=lambda one: _settled_link(form, one, _OF_CAN_ALONE),
        machines=machines,
        found_places=[one.station for one in stations()],
        tables=_tables(),
        signal_says=says,
        change_name=lambda change: change_name(change, machines),
        same=urlencode({name: value for name, value in form.values.items() if value}),
    )
    return shown, 400 if form.is_faulty else 200


@pages.get("/trace/used/<table>.<kind>")
@permit("see")
def used_file(table: str, kind: str) -> Response:
    """What something touched, as a file: its uses, moves of tools, pallets or entries."""
    if table not in TABLES or kind not in ("csv", "xlsx"):
        raise NotFound(
            _("there is no such file; there are uses, moves, pallets and entries as csv or xlsx")
        )
    most = {name: MOST_ROWS if table == name else 1 for name in ("pallets", "entries")}
    found = _where_used(_shortened(asked(FIELDS)), most["entries"], most["pallets"])
    sheet = used_sheet(table, found, directory(current_session()), the_plant_now().zone)
    return sheet_file(sheet, f"{table}-{found.start:%Y-%m-%d}-{found.end:%Y-%m-%d}", kind)


@pages.get("/trace/epcis.jsonld")
@permit("see")
def epcis_file() -> Response:
    """The events of a pallet or of a coil as EPCIS 2.0, to be saved."""
    form = asked(("pallet", "coil"))
    pallet, coil = form.value("pallet") or None, form.value("coil") or None
    if (pallet is None) == (coil is None):
        raise TracelogError(_("give the number of one pallet, or of one coil"), "pallet")
    base = house().settings.epcis_base
    answer = answer_json(epcis_of(current_session(), pallet, coil, base, now()))
    answer.content_type = "application/ld+json"
    answer.headers["Content-Disposition"] = 'attachment; filename="epcis.jsonld"'
    return answer


def _settled_link(form: Form, one: Candidate, known: tuple[str, ...] = _KNOWN) -> str:
    """The same question with the code of one candidate; without any time, with the present."""
    asked = {name: form.value(name) for name in known if form.value(name)}
    return "/trace?" + urlencode({"code": str(one.code), **(asked or {"at": write_instant(now())})})


def _entries_link(found: Dossier | None) -> str:
    """What the Log is asked for all entries of the machine around the making."""
    if found is None or found.machine is None or not found.then.entries_cut:
        return ""
    start, end = found.then.entries_from, found.then.entries_to
    return urlencode(
        {
            "machine": found.machine.text,
            "from": write_instant(start) if start else "",
            "to": write_instant(end) if end else "",
        }
    )


def _kinds() -> list[tuple[str, str]]:
    return [
        *(("tool", _("Tool")), ("coil", _("Coil")), ("machine", _("Machine"))),
        *(("crew", _("Crew")), ("change", _("Change"))),
    ]


def _tables() -> list[tuple[str, str]]:
    return [
        *(("uses", _("Where it was")), ("moves", _("Moves of tools"))),
        *(("pallets", _("Pallets")), ("entries", _("Entries"))),
    ]


def _shortened(form: Form) -> Form:
    """Other pages link with ``?tool=R3-0412``; the form asks for a kind and a name."""
    values: Mapping[str, str] = form.values
    for kind in ("tool", "machine", "crew", "change"):
        if form.value(kind) and not form.value("name"):
            values = {**values, "kind": kind, "name": form.value(kind)}
    return Form(values)


def _for_fields(form: Form) -> Form:
    """Instants with an offset, as links give them, in plant time for the fields of the form."""
    zone, values = the_plant_now().zone, dict(form.values)
    for name in ("at", "from", "to", "seen_at"):
        with suppress(ValueError):
            values[name] = for_field(parse_instant(values[name], zone), zone)
    return Form(values, form.faults)


def _read(form: Form, name: str, reader: Callable[[str], Value]) -> Value | None:
    if not form.value(name):
        return None
    try:
        return reader(form.value(name))
    except ValueError as problem:
        raise TracelogError(str(problem), name) from None


def _instant(form: Form, name: str) -> datetime | None:
    return _read(form, name, lambda text: parse_instant(text, the_plant_now().zone))


def _dossier(form: Form) -> Dossier:
    at = _instant(form, "at")
    if at is not None and at > now():
        raise TracelogError(_("lies ahead; give a time up to now, or leave it out"), "at")
    zone, seen_at = the_plant_now().zone, _instant(form, "seen_at")
    if seen_at is not None and seen_at > now():
        raise TracelogError(_("lies ahead; give a time up to now, or leave it out"), "seen_at")
    question = Question(
        _read(form, "code", parse_dome_code),
        at,
        form.value("pallet") or None,
        form.value("coil") or None,
        seen_at=seen_at,
        found_at=form.value("found_at") or None,
        time_code=_read(form, "time_code", lambda text: read_time_code(text, zone)),
        is_doubted=bool(_read(form, "certainty", read_certainty)),
        defect=form.value("defect") or None,
    )
    return dossier(current_session(), question, now())


def _where_used(form: Form, most_entries: int, most_pallets: int) -> WhereUsed:
    kind: Any = form.value("kind")
    if kind not in KINDS:
        raise TracelogError(_("choose a tool, a coil, a machine, a crew or a change"), "kind")
    end = min(_instant(form, "to") or now(), now())
    start = _instant(form, "from") or usual_start(kind, end)
    try:
        return where_used(
            *(current_session(), kind, form.value("name"), start, end, now()),
            most_entries=most_entries,
            most_pallets=most_pallets,
        )
    except (NotFound, UnknownReference) as problem:
        problem.field = "name"
        raise
