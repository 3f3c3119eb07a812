"""The pages of tools: all of them, and one tool's card with the works done on it."""

from urllib.parse import quote, urlencode

from flask import Blueprint, flash, redirect, render_template
from werkzeug.wrappers import Response as AnyResponse

from tracelog.errors import BadFact, Fault, NotFound, TracelogError
from tracelog.facts import whole_number
from tracelog.language import _
from tracelog.plant.queries import directory
from tracelog.plant.tool_actions import record_tool_works
from tracelog.plant.tool_facts import ToolWorkFact, work_words
from tracelog.service.tool_changes import accept
from tracelog.service.tool_histories import ToolState
from tracelog.service.tool_list import doubts, kind_of_tool, listed_tools, the_tool
from tracelog.web.forms import Form, asked, posted
from tracelog.web.numbers import for_field
from tracelog.web.request import current_actor, current_session, now, permit, the_plant_now

pages = Blueprint("tools", __name__)
WORK_FIELDS = (
    *("work", "done_at", "size_mm", "strokes_before", "strokes_before_since_work", "note"),
)
TOOLS_ON_A_PAGE = 100
ALL = "all"


def state_words() -> dict[str, str]:
    """Where a tool can be, in the order in which the page offers it."""
    return {
        ToolState.IN_USE.value: _("In machines"),
        ToolState.TOOL_ROOM.value: _("In the tool room"),
        ToolState.SCRAPPED.value: _("Scrapped"),
        ALL: _("All"),
    }


@pages.get("/service/tools")
@permit("see")
def tools_page() -> str:
    """All tools, the furthest into their life first."""
    session = current_session()
    form = asked(("search", "state", "page"))
    search = form.value("search")[:80]
    # Whoever looks for a serial wants to find it wherever it is.
    state = form.value("state") or (ALL if search else ToolState.IN_USE.value)
    if state not in state_words():
        raise NotFound(_("there is no such list of tools; choose one of those on the page"))
    found = listed_tools(session, now(), search, None if state == ALL else ToolState(state))
    pages_in_all = max(1, -(-len(found) // TOOLS_ON_A_PAGE))
    page = _page_asked(form.value("page"), pages_in_all)
    start = (page - 1) * TOOLS_ON_A_PAGE

    def address(number: int) -> str:
        return "/service/tools?" + urlencode({"search": search, "state": state, "page": number})

    return render_template(
        "service/tools.html",
        form=form,
        state=state,
        states=state_words(),
        total=len(found),
        first=start + 1,
        tools=found[start : start + TOOLS_ON_A_PAGE],
        machines=directory(session).by_id,
        before=address(page - 1) if page > 1 else None,
        after=address(page + 1) if page < pages_in_all else None,
    )


def _page_asked(text: str, most: int) -> int:
    try:
        return whole_number(text or "1", 1, most)
    except ValueError:
        raise NotFound(_("there is no such page; the list has %(most)d", most=most)) from None


@pages.get("/service/tools/<path:serial>")
@permit("see")
def tool_page(serial: str) -> str:
    """One tool's card."""
    return _card(serial, Form({"done_at": for_field(now(), the_plant_now().zone)}))


def _card(serial: str, form: Form) -> str:
    session = current_session()
    history = the_tool(session, serial, now())
    return render_template(
        "service/tool.html",
        history=history,
        tool=history.tool,
        count=history.count,
        fitted=history.present,
        states=state_words(),
        machines=directory(session).by_id,
        kind=kind_of_tool(history.tool.tool_type),
        doubts=doubts(history),
        form=form,
        works=list(work_words().items()),
    )


@pages.post("/service/tools/<path:serial>")
@permit("record tool change")
def record_work(serial: str) -> AnyResponse | tuple[str, int]:
    """Keep what was done to a tool."""
    tool = the_tool(current_session(), serial, now()).tool
    form = posted(WORK_FIELDS)
    try:
        zone = the_plant_now().zone
        fact = ToolWorkFact.read({**form.values, "serial": tool.serial}, zone)
        if fact.done_at > now():
            raise BadFact((Fault("done_at", _("lies ahead; only what was done is recorded")),))
        accept(record_tool_works(current_session(), [fact], current_actor(), now()))
    except TracelogError as problem:
        return _card(serial, form.with_problem(problem)), problem.status
    flash(_("Kept: %(work)s of %(serial)s.", work=fact.work, serial=tool.serial))
    return redirect(f"/service/tools/{quote(tool.serial)}", 303)
