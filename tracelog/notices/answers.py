"""The documented answers about notices, the same for command, API and file; instants in UTC."""

from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.notices.facts import write_time
from tracelog.notices.queries import MessageView, NoticeView, SubscriptionView
from tracelog.web.sheets import Sheet

COLUMNS = (
    *("message", "state", "way", "person", "address", "made_at", "attempts", "ended_at"),
    *("last_answer", "notices"),
)


def subscription_answer(one: SubscriptionView) -> dict[str, Any]:
    """One subscription, in the words in which it is sent."""
    wanted = one.wanted
    return {
        "id": str(wanted.id),
        "kinds": [kind.value for kind in wanted.kinds],
        "line": one.line,
        "machine": one.machine,
        "least_severity": wanted.least_severity.value if wanted.least_severity else None,
        "days_ahead": wanted.days_ahead,
        "way": wanted.way.value,
        "address": one.target,
        "pace": wanted.pace.value,
        "daily_at": write_time(wanted.daily_at),
        "quiet_from": write_time(wanted.quiet_from),
        "quiet_to": write_time(wanted.quiet_to),
        "leaks_at_once": wanted.leaks_at_once,
        "webhook": str(one.webhook.id) if one.webhook else None,
        "webhook_off_since": one.webhook.off_at if one.webhook else None,
        "since": wanted.created_at,
    }


def notice_answer(one: NoticeView) -> dict[str, Any]:
    """One notice."""
    return {
        "id": str(one.id),
        "kind": one.kind,
        "place": one.place,
        "severity": one.severity,
        "title": one.title,
        "text": one.text,
        "link": one.link,
        "happened_at": one.happened_at,
        "found_at": one.found_at,
        "read_at": one.read_at,
    }


def message_answer(one: MessageView) -> dict[str, Any]:
    """One message with its attempts."""
    return {
        "id": str(one.id),
        "state": one.state,
        "way": one.way,
        "person": one.owner,
        "address": one.address,
        "made_at": one.made_at,
        "next_at": one.next_at if one.state == "waiting" else None,
        "ended_at": one.ended_at,
        "why": one.why,
        "notices": list(one.titles),
        "attempts": [
            {
                "number": each.number,
                "began_at": each.began_at,
                "ended_at": each.ended_at,
                "accepted": each.accepted,
                "answer": each.answer,
                "duration_ms": each.duration_ms,
            }
            for each in one.tries
        ],
    }


def messages_sheet(found: Sequence[MessageView], zone: ZoneInfo) -> Sheet:
    """Messages as a table for files."""
    rows = tuple(
        (
            *(str(one.id), one.state, one.way, one.owner, one.address, one.made_at),
            *(len(one.tries), one.ended_at),
            one.tries[-1].answer if one.tries else None,
            "; ".join(one.titles),
        )
        for one in found
    )
    return Sheet("Deliveries", COLUMNS, rows, zone)
