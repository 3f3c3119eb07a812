"""The Trace page: the dossier of a can, and the reverse: what something made."""

from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime
from typing import Any, TypeVar
from urllib.parse import urlencode

from flask import Blueprint, render_template

from tracelog.errors import NotFound, TracelogError, UnknownReference
from tracelog.instants import parse_instant, write_instant
from tracelog.language import _
from tracelog.plant.dome_code import parse_dome_code
from tracelog.trace.candidates import Candidate
from tracelog.trace.dossier import Dossier, Question, dossier
from tracelog.trace.rules import usual_start
from tracelog.trace.where_used import WhereUsed, where_used
from tracelog.web.forms import Form, asked
from tracelog.web.numbers import for_field
from tracelog.web.request import current_session, now, permit, the_plant_now

pages = Blueprint("trace", __name__)
FIELDS = ("code", "at", "pallet", "coil", "kind", "name", "tool", "machine", "from", "to")
KINDS = ("tool", "coil", "machine")

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
            used = _where_used(form)
        elif any(form.value(name) for name in ("code", "pallet", "coil")):
            found = _dossier(form)
        elif form.value("at"):
            raise TracelogError(_("is missing; write a code such as 3-7, or ?-?"), "code")
    except TracelogError as problem:
        form = form.with_problem(problem)
    shown = render_template(
        "trace/trace.html",
        form=_for_fields(form),
        found=found,
        used=used,
        kinds=_kinds(),
        link=lambda one: _settled_link(form, one),
    )
    return shown, 400 if form.is_faulty else 200


def _settled_link(form: Form, one: Candidate) -> str:
    """The same question with the code of one candidate; without any time, with the present."""
    asked = {name: form.value(name) for name in ("at", "pallet", "coil") if form.value(name)}
    return "/trace?" + urlencode({"code": str(one.code), **(asked or {"at": write_instant(now())})})


def _kinds() -> list[tuple[str, str]]:
    return [("tool", _("Tool")), ("coil", _("Coil")), ("machine", _("Machine"))]


def _shortened(form: Form) -> Form:
    """Other pages link with ``?tool=R3-0412``; the form asks for a kind and a name."""
    values: Mapping[str, str] = form.values
    for kind in ("tool", "machine"):
        if form.value(kind) and not form.value("name"):
            values = {**values, "kind": kind, "name": form.value(kind)}
    return Form(values)


def _for_fields(form: Form) -> Form:
    """Instants with an offset, as links give them, in plant time for the fields of the form."""
    zone, values = the_plant_now().zone, dict(form.values)
    for name in ("at", "from", "to"):
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
    question = Question(
        _read(form, "code", parse_dome_code),
        at,
        form.value("pallet") or None,
        form.value("coil") or None,
    )
    return dossier(current_session(), question, now())


def _where_used(form: Form) -> WhereUsed:
    kind: Any = form.value("kind")
    if kind not in KINDS:
        raise TracelogError(_("choose a tool, a coil or a machine"), "kind")
    end = min(_instant(form, "to") or now(), now())
    start = _instant(form, "from") or usual_start(kind, end)
    try:
        return where_used(current_session(), kind, form.value("name"), start, end, now())
    except (NotFound, UnknownReference) as problem:
        problem.field = "name"
        raise
