"""The Log pages on the hand-made plant, as somebody who has signed in uses them."""

import uuid
from dataclasses import dataclass

from sqlalchemy import Engine, func, select
from werkzeug.test import TestResponse

from tests.support.markup import form_on
from tests.support.site import Visit
from tracelog.audit import AuditRecord, broken_links
from tracelog.db import new_id, reading
from tracelog.defects.models import CurrentEntry, Entry, EntryCorrection
from tracelog.defects.queries import EntryRecord, EntryView, entry, last_entries

TABLES = (Entry, CurrentEntry, EntryCorrection, AuditRecord)


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
