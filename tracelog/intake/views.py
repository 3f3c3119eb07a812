"""The page of messages that a collector could not take."""

from urllib.parse import urlencode

from flask import Blueprint, render_template

from tracelog.errors import NotFound, TracelogError
from tracelog.intake.reject_actions import KEPT_DAYS
from tracelog.intake.reject_queries import RejectedView, Source, rejected_messages
from tracelog.language import _
from tracelog.web.forms import asked
from tracelog.web.request import current_session, permit

pages = Blueprint("intake", __name__)

SHOWN_AT_ONCE = 20
# As much of a payload as tells what it is; the whole of what is kept is given by the API.
SHOWN_PAYLOAD = 160
ADDRESS = "/counters/rejected"


@pages.get(ADDRESS)
@permit("see")
def rejected_page() -> str:
    """What came and could not be taken, the latest first."""
    form = asked(("source", "after"))
    chosen = form.value("source")
    source = Source(chosen) if chosen in set(Source) else None
    try:
        page = rejected_messages(
            current_session(), source, SHOWN_AT_ONCE, form.value("after") or None
        )
    except TracelogError as problem:
        raise NotFound(problem.sentence) from None
    named = {"source": source.value} if source else {}
    following = urlencode({**named, "after": page.next_after}) if page.next_after else ""
    return render_template(
        "intake/rejected.html",
        messages_shown=[(one, _shown(one)) for one in page.rows],
        sources={"": _("All"), Source.MQTT.value: "MQTT", Source.OPCUA.value: "OPC UA"},
        source=named.get("source", ""),
        kept_days=KEPT_DAYS,
        newest=f"{ADDRESS}?{urlencode(named)}".rstrip("?") if form.value("after") else None,
        older=f"{ADDRESS}?{following}" if following else None,
    )


def _shown(one: RejectedView) -> str:
    text = one.payload_text
    return text if len(text) <= SHOWN_PAYLOAD else text[:SHOWN_PAYLOAD] + "…"
