"""The Service page, and the page on which a service or a tool change is recorded."""

from flask import Blueprint, render_template

from tracelog.errors import UnknownReference
from tracelog.facts import known_words
from tracelog.language import _
from tracelog.service.queries import levels, service_standings
from tracelog.service.tool_standings import tool_standings
from tracelog.web.forms import asked
from tracelog.web.request import current_session, now, permit

pages = Blueprint("service", __name__)
SERVICE_FIELDS = ("machine", "service", "done_at", "unplanned", "note")
TOOL_FIELDS = ("machine", "position", "at", "removal_reason", "serial", "tool_type")
MOST_TOOLS = 60


@pages.get("/service")
@permit("see")
def service_page() -> str:
    """Machines and tools by strokes since service and due date."""
    session = current_session()
    standings = service_standings(session, now())
    chosen = asked(("service",)).value("service")
    names = list(dict.fromkeys(level.service for level in levels(session)))
    if chosen and chosen not in names:
        raise UnknownReference(
            _(
                "there is no service '%(service)s'; services are %(known)s",
                service=chosen[:40],
                known=known_words(names) or _("not entered yet"),
            ),
            "service",
        )
    return render_template(
        "service/service.html",
        standings=[one for one in standings if chosen in ("", one.level.service)],
        tools=[one for one in tool_standings(session, now()) if one.life_strokes][:MOST_TOOLS],
        services=names,
        chosen=chosen,
    )
