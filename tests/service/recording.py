"""What is recorded through the forms on the plant of two lines, and what became of it."""

import re
from html import unescape
from typing import Any

from sqlalchemy import Engine, select
from werkzeug.test import TestResponse

from tests.support.site import Visit
from tests.trace.two_lines import ZONE
from tracelog.db import reading
from tracelog.plant.models import Tool, ToolFit

# 08:00 of 3 March in Madrid; the tests happen on 4 March, 10:30.
AT = "2026-03-03T08:00"
SERVICE = {"machine": "1-1", "service": "minor", "done_at": AT, "note": "two belts"}
CHANGE = {
    "machine": "1-1",
    "position": "ring-3",
    "at": AT,
    "removal_reason": "worn",
    "serial": "B",
    "tool_type": "",
}


def send(visit: Visit, what: dict[str, str], **other: str) -> TestResponse:
    path = "/service/record" if "service" in what else "/service/tool-change"
    return visit.post(path, **{**what, **other})


def wrong(markup: str) -> dict[str, str]:
    found = re.findall(r'class="wrong" id="wrong-([\w-]+)">([^<]*)<', markup)
    return {field: unescape(sentence) for field, sentence in found}


def fits(engine: Engine) -> list[tuple[str, str, str | None, str | None]]:
    """Serial, when fitted, when removed (plant time), why; in order."""

    def text(moment: Any) -> str | None:
        return moment and moment.astimezone(ZONE).strftime("%Y-%m-%dT%H:%M")

    with reading(engine) as session:
        rows = session.execute(
            select(Tool.serial, ToolFit.fitted_at, ToolFit.removed_at, ToolFit.removal_reason)
            .join(Tool, Tool.id == ToolFit.tool_id)
            .order_by(ToolFit.fitted_at, Tool.serial)
        ).all()
    return [(row[0], text(row[1]) or "", text(row[2]), row[3]) for row in rows]
