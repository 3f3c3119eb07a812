"""The Log pages on the hand-made plant, as somebody who has signed in uses them."""

import re
import uuid
from dataclasses import dataclass
from html import unescape
from html.parser import HTMLParser

from sqlalchemy import Engine, func, select
from werkzeug.test import TestResponse

from tests.support.site import Visit
from tracelog.audit import AuditRecord, broken_links
from tracelog.db import new_id, reading
from tracelog.defects.models import CurrentEntry, Entry, EntryCorrection
from tracelog.defects.queries import EntryRecord, EntryView, entry, last_entries

TABLES = (Entry, CurrentEntry, EntryCorrection, AuditRecord)


def wrong(answer: TestResponse) -> dict[str, str]:
    """The sentence at each field that is wrong."""
    found = re.findall(r'class="wrong" id="wrong-([\w-]+)">([^<]*)<', answer.text)
    return {field: unescape(sentence) for field, sentence in found}


def summary(answer: TestResponse) -> str:
    """What the notice above the form says is wrong; blank if nothing."""
    found = re.search(r'role="alert">(.*?)</div>', answer.text, flags=re.S)
    return seen(found[1]) if found else ""


def seen(html: str) -> str:
    """What people read of some HTML."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


class _Fields(HTMLParser):
    def __init__(self, action: str) -> None:
        super().__init__()
        self.action = action
        self.values: dict[str, str] = {}
        self._inside = False
        self._area: str | None = None
        self._select: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._inside = given.get("action") == self.action and given.get("method") == "post"
        name = given.get("name", "")
        if not self._inside or (not name and tag != "option"):
            return
        if tag == "textarea":
            self._area = name
            self.values[name] = ""
        elif tag == "select":
            self._select = name
            self.values[name] = ""
        elif tag == "option" and self._select and "selected" in given:
            self.values[self._select] = given["value"]
        elif tag == "input" and given.get("type") in {"radio", "checkbox"}:
            self.values.setdefault(name, "")
            if "checked" in given:
                self.values[name] = given["value"]
        elif tag == "input":
            self.values[name] = given.get("value", "")
        elif tag == "button":
            self.values.setdefault(name, "")

    def handle_data(self, data: str) -> None:
        if self._inside and self._area:
            self.values[self._area] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._inside = False
        elif tag == "textarea":
            self._area = None
        elif tag == "select":
            self._select = None


def form_on(html: str, action: str) -> dict[str, str]:
    """The fields of the form that is sent to `action`, as they are filled in on the page."""
    reader = _Fields(action)
    reader.feed(html)
    reader.values.pop("csrf_token", None)
    # A browser sends what stands in a text area without the line end after its tag.
    return {name: value.strip() for name, value in reader.values.items()}


@dataclass(frozen=True)
class LogSite:
    """The Log pages, looked at by one visitor."""

    visit: Visit
    engine: Engine

    def tap(self, **fields: object) -> TestResponse:
        """Tap a split of 1-1 on the pad, unless said otherwise."""
        tapped = {"id": new_id(), "line": "1", "number": "1", "defect": "split", "cans": "1"}
        return self.visit.post("/log", **(tapped | fields))

    def type(self, line: str, **fields: object) -> TestResponse:
        """Type a line."""
        return self.visit.post("/log/typed", **({"typed": line, "id": new_id()} | fields))

    def correct(self, entry_id: uuid.UUID, **fields: object) -> TestResponse:
        """Fill in the correction page as it is shown, and send it."""
        shown = form_on(self.visit.get(f"/log/{entry_id}").text, f"/log/{entry_id}")
        return self.visit.post(f"/log/{entry_id}", **(shown | {"reason": "misread"} | fields))

    def last(self) -> EntryView:
        """The entry logged last."""
        with reading(self.engine) as session:
            return last_entries(session, 1)[0]

    def record(self, entry_id: uuid.UUID) -> EntryRecord:
        """An entry with its history."""
        with reading(self.engine) as session:
            return entry(session, entry_id)

    def counted(self) -> list[int]:
        """How many rows there are of entries, entries as they stand, corrections, records."""
        with reading(self.engine) as session:
            return [
                session.execute(select(func.count()).select_from(table)).scalar_one()
                for table in TABLES
            ]

    def last_audit(self) -> AuditRecord:
        """The record of the last write; the chain is whole."""
        with reading(self.engine) as session:
            assert broken_links(session) == []
            newest = select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
            found = session.execute(newest).scalar_one()
            session.expunge(found)
            return found
