"""Labels to print, and where the addresses on them lead."""

from urllib.parse import quote, urlencode

from flask import Blueprint, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import NotFound, TracelogError
from tracelog.facts import whole_number
from tracelog.floor.labels.choosing import FIELDS, KINDS, chosen_labels, offered_choices
from tracelog.floor.labels.sheets import GRIDS, MOST_LABELS, LabelSize, sheets
from tracelog.language import _
from tracelog.plant.addresses import read_machine_part
from tracelog.plant.queries import BODYMAKER, Directory, MachineView, directory
from tracelog.plant.tool_queries import tools
from tracelog.web.forms import Form, asked
from tracelog.web.qr_codes import qr_code
from tracelog.web.request import current_session, house, may, now, permit

label_pages = Blueprint("labels", __name__)


@label_pages.get("/labels")
@permit("see")
def labels_page() -> tuple[str, int]:
    """Labels of some machines or tools, laid out on sheets."""
    session = current_session()
    form = asked(FIELDS, {"kind": KINDS[0], "size": LabelSize.MEDIUM, "opens": "page"})
    if "line" not in request.args and "kind" not in request.args:
        form = Form({**form.values, "station": BODYMAKER})
    found, laid = [], []
    try:
        grid = GRIDS[_size(form.value("size"))]
        used = _used(form.value("used"), grid.places)
        found = chosen_labels(session, form.values, _base(), now())
        laid = sheets(found[:MOST_LABELS], grid, used) if found else []
    except TracelogError as problem:
        form = form.with_problem(problem)
    page = render_template(
        "floor/labels/labels.html",
        form=form,
        choices=offered_choices(session, now()),
        sizes=[(size.value, _size_words(size)) for size in LabelSize],
        total=len(found),
        most=MOST_LABELS,
        sheets=laid,
        qr_code=qr_code,
    )
    return page, 400 if form.is_faulty else 200


def _base() -> str:
    """Where people reach these pages: as it is set, else as this page was reached."""
    return (house().settings.base_url or request.url_root).rstrip("/")


def _size(text: str) -> LabelSize:
    try:
        return LabelSize(text)
    except ValueError:
        known = ", ".join(LabelSize)
        raise TracelogError(
            _("'%(text)s' is no size; choose %(known)s", text=text[:20], known=known), "size"
        ) from None


def _used(text: str, places: int) -> int:
    try:
        return whole_number(text or "0", 0, places - 1)
    except ValueError as problem:
        raise TracelogError(str(problem), "used") from None


def _size_words(size: LabelSize) -> str:
    grid, words = GRIDS[size], {"large": _("large"), "medium": _("medium"), "small": _("small")}
    return _(
        "%(size)s: %(places)d on a sheet, %(width)d × %(height)d mm",
        size=words[size.value],
        places=grid.places,
        width=grid.width_mm,
        height=grid.height_mm,
    )


@label_pages.get("/m/<name>")
@permit("see")
def machine_label(name: str) -> AnyResponse:
    """The machine of a label: its page, or with ``?log`` the Log with it filled in."""
    known = directory(current_session())
    machine = _machine(known, name)
    if "log" in request.args and may("log entry"):
        return redirect(_log_page(known, machine))
    return redirect(f"/machines/{machine.line}/{machine.station}/{machine.number}")


def _machine(known: Directory, name: str) -> MachineView:
    read = read_machine_part(name)
    if read is None:
        raise NotFound(
            _(
                "'%(name)s' names no machine; a label says /m/3-7, or /m/3-necker-1",
                name=name[:60],
            )
        )
    try:
        return known.machine(read.line, read.station, read.number)
    except TracelogError as problem:
        raise NotFound(problem.sentence) from None


def _log_page(known: Directory, machine: MachineView) -> str:
    if machine.station != BODYMAKER:
        return "/log?" + urlencode({"found_at": machine.station})
    code = known.code_borne(machine, now())
    return "/log?" + urlencode({"line": code.line, "number": code.number})


@label_pages.get("/t/<path:serial>")
@permit("see")
def tool_label(serial: str) -> AnyResponse:
    """The tool of a label."""
    if not tools(current_session(), [serial]):
        raise NotFound(_("there is no tool with the serial '%(serial)s'", serial=serial[:80]))
    return redirect(f"/service/tools/{quote(serial, safe='')}")
