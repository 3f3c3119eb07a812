"""A small plant for the API's tests, and programs with tokens that call it."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from flask import Flask
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session
from werkzeug.test import TestResponse

import tracelog.schema  # noqa: F401 - every table is known by then
from tests.support.site import CAST, JOINED_AT, Visit, application_on
from tracelog.audit import Actor, AuditRecord
from tracelog.db import Base, reading, writing
from tracelog.defects.actions import record_defect_types
from tracelog.defects.facts import DefectTypeFact
from tracelog.people.actions import create_account, create_token
from tracelog.people.queries import account_named
from tracelog.plant.actions import record_lines, record_machines, record_plant
from tracelog.plant.facts import (
    CoilFact,
    LineFact,
    MachineFact,
    PlantFact,
    ToolFact,
)
from tracelog.plant.stock_actions import record_coils
from tracelog.plant.tool_actions import record_tools
from tracelog.service.actions import record_service_levels
from tracelog.service.facts import ServiceLevelFact

ZONE = ZoneInfo("Europe/Madrid")
BY = Actor("tests", "administrator", "command")
TOOLS = 400


def furnish(session: Session) -> None:
    """Two lines of three bodymakers and a trimmer, two defects, tools, coils, one service level."""
    plant: dict[str, Any] = {
        "name": "Alder Point",
        "time_zone": ZONE.key,
        "transit": {"minutes": [20, 95]},
        "shift": [{"name": "day", "starts": "06:00"}, {"name": "night", "starts": "18:00"}],
        "rota": {"starts_on": "2026-01-05", "cycle": [{"day": "A", "night": "B"}]},
    }
    machines: list[dict[str, Any]] = [
        {"line": line, "station": "bodymaker", "number": number, "counter_max": 99999999}
        for line in (1, 2)
        for number in (1, 2, 3)
    ]
    machines.append({"line": 1, "station": "trimmer", "number": 1})
    record_plant(session, [PlantFact.read(plant, ZONE)], BY, JOINED_AT)
    lines = [LineFact.read({"line": line}, ZONE) for line in (1, 2)]
    record_lines(session, lines, BY, JOINED_AT)
    record_machines(session, [MachineFact.read(one, ZONE) for one in machines], BY, JOINED_AT)
    defects = [DefectTypeFact.read({"defect": name}, ZONE) for name in ("split", "wrinkle")]
    record_defect_types(session, defects, BY, JOINED_AT)
    tools = [ToolFact.read({"serial": f"T-{n}"}, ZONE) for n in range(TOOLS)]
    record_tools(session, tools, BY, JOINED_AT)
    record_coils(session, [CoilFact.read({"coil": "K-1"}, ZONE)], BY, JOINED_AT)
    level = {"station": "bodymaker", "service": "minor", "interval_strokes": 25_000_000}
    record_service_levels(session, [ServiceLevelFact.read(level, ZONE)], BY, JOINED_AT)


@dataclass(frozen=True)
class Program:
    """A program with a token of one role."""

    app: Flask
    token: str

    @property
    def headers(self) -> dict[str, str]:
        """What it sends with every call."""
        return {"Authorization": f"Bearer {self.token}"}

    def get(self, path: str, **asked: Any) -> TestResponse:
        """Ask; the parameters by their names, or in the path."""
        return self.app.test_client().get(
            f"/api/v1{path}", query_string=asked or None, headers=self.headers
        )

    def post(self, path: str, sent: Any, **asked: Any) -> TestResponse:
        """Send a value as JSON."""
        return self.app.test_client().post(
            f"/api/v1{path}", json=sent, query_string=asked, headers=self.headers
        )

    def post_text(self, path: str, sent: bytes | str, **headers: str) -> TestResponse:
        """Send a text that may be no JSON; headers with _ for -."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return self.app.test_client().post(
            f"/api/v1{path}",
            data=sent,
            headers={"Content-Type": "application/json", **self.headers, **named},
        )


@dataclass(frozen=True)
class Site:
    """The application on a database of its own, with the small plant."""

    app: Flask
    engine: Engine
    tokens: Mapping[str, str]

    def program(self, role: str = "administrator") -> Program:
        """A program that acts in a role."""
        return Program(self.app, self.tokens[role])

    def visit(self, role: str) -> Visit:
        """A visitor who has signed in, and whose page's token is known."""
        visit = Visit(self.app.test_client())
        visit.get("/sign-in")
        person = CAST[role]
        answer = visit.post("/sign-in", name=person.name, secret=person.secret)
        assert answer.status_code == 303, answer.text
        visit.get("/account")
        return visit

    def counted(self) -> dict[str, int]:
        """How many rows each table has."""
        with reading(self.engine) as session:
            return {
                table.name: session.execute(select(func.count()).select_from(table)).scalar_one()
                for table in Base.metadata.sorted_tables
            }

    def last_record(self) -> AuditRecord:
        """The record of the last write."""
        with reading(self.engine) as session:
            newest = select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
            found = session.execute(newest).scalar_one()
            session.expunge(found)
            return found


@contextmanager
def site_on(engine: Engine, folder: Path) -> Iterator[Site]:
    """The application on an empty database, which is given the plant and one token a role."""
    tokens = {}
    with writing(engine) as session:
        furnish(session)
        for role, person in CAST.items():
            create_account(
                session, person.name, person.name.title(), role, person.secret, BY, JOINED_AT
            )
            account = account_named(session, person.name)
            tokens[role] = create_token(session, account, "gateway", role, BY, JOINED_AT)
    site = Site(application_on(engine, folder), engine, tokens)
    for role in tokens:
        # The first use of a day leaves a record of its own.
        assert site.program(role).get("/machines").status_code == 200
    yield site


def at(minutes: int) -> str:
    """An instant so many minutes after the morning of 2 March 2026, UTC."""
    moment = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp() + 60 * minutes
    return datetime.fromtimestamp(moment, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
