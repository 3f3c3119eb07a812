"""What the API's answers about notices look like."""

from tracelog.defects.facts import Severity
from tracelog.notices.facts import Kind, Pace, Way
from tracelog.web.shapes import (
    COUNT,
    ID,
    INSTANT,
    TEXT,
    YES_NO,
    Shape,
    fields,
    many,
    maybe,
    words,
)

_SUBSCRIPTION = fields(
    {
        "id": ID,
        "kinds": many(words(*Kind)),
        "line": maybe(COUNT),
        "machine": maybe(TEXT),
        "least_severity": maybe(words(*Severity)),
        "days_ahead": COUNT,
        "way": words(*Way),
        "address": maybe(TEXT),
        "pace": words(*Pace),
        "daily_at": maybe(TEXT),
        "quiet_from": maybe(TEXT),
        "quiet_to": maybe(TEXT),
        "leaks_at_once": YES_NO,
        "webhook": maybe(ID),
        "webhook_off_since": maybe(INSTANT),
        "since": INSTANT,
    }
)
SUBSCRIPTIONS: Shape = fields({"subscriptions": many(_SUBSCRIPTION)})
SUBSCRIBED: Shape = fields(
    {"status": words("created", "unchanged"), "id": ID, "secret": maybe(TEXT)}
)
_NOTICE = fields(
    {
        "id": ID,
        "kind": TEXT,
        "place": TEXT,
        "severity": maybe(TEXT),
        "title": TEXT,
        "text": TEXT,
        "link": TEXT,
        "happened_at": INSTANT,
        "found_at": INSTANT,
        "read_at": maybe(INSTANT),
    }
)
NOTICES: Shape = fields({"unread": COUNT, "notices": many(_NOTICE), "after": maybe(TEXT)})
