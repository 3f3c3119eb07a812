"""The documented answer about the audit trail, and the trail as a table and as lines."""

import json
from collections.abc import Iterable
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.facts import write_value
from tracelog.people.trail.queries import RecordView
from tracelog.web.sheets import Sheet

COLUMNS = ("number", "at", "who", "door", "action", "kind", "subject", "altered", "hash")


def record_answer(one: RecordView) -> dict[str, Any]:
    """One record with all that its hash covers; `content` is what it covers."""
    return {
        "number": one.sequence,
        "id": one.id,
        "at": one.at,
        "who": one.who,
        "door": one.door,
        "action": one.action,
        "kind": one.kind,
        "subject": one.subject,
        "before": one.before,
        "after": one.after,
        "previous_hash": one.previous_hash,
        "hash": one.hash,
        "content": one.content,
    }


def trail_answer(found: list[RecordView], next_before: int | None) -> dict[str, Any]:
    """A page of the trail, the newest first."""
    return {"records": [record_answer(one) for one in found], "next_before": next_before}


def record_line(one: RecordView) -> str:
    """One record as a line of JSON, instants in UTC with Z."""
    answer = record_answer(one) | {"at": write_value(one.at)}
    return json.dumps(answer, ensure_ascii=False) + "\n"


def trail_sheet(found: Iterable[RecordView], zone: ZoneInfo) -> Sheet:
    """The trail as a table for files."""
    rows = tuple(
        (
            *(one.sequence, one.at, one.who, one.door, one.action, one.kind, one.subject),
            *("; ".join(_told(change) for change in one.altered), one.hash),
        )
        for one in found
    )
    return Sheet("Audit trail", COLUMNS, rows, zone)


def _told(change: Any) -> str:
    return f"{change.name}: {change.before or '–'} → {change.after or '–'}"
