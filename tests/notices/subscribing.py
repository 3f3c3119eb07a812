"""A small plant with people, and what they ask to be told: rows for the tests of notices."""

import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any
from zoneinfo import ZoneInfo

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope
from aiosmtpd.smtp import Session as Dialogue
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from tests.support.recorded import recorded
from tests.support.site import CAST, Cast
from tracelog.audit import Actor
from tracelog.config import Settings
from tracelog.db import writing
from tracelog.notices.actions import Subscribed, subscribe
from tracelog.notices.facts import Kind, SubscriptionFact
from tracelog.notices.models import Notice, OutboxAttempt, OutboxMessage
from tracelog.notices.outbox_actions import keep_found
from tracelog.notices.queries import all_wanted
from tracelog.notices.rules import Occasion, matches
from tracelog.people.models import Account
from tracelog.plant.actions import record_lines, record_machines, record_plant
from tracelog.plant.facts import LineFact, MachineFact, PlantFact
from tracelog.plant.queries import the_plant

ZONE = ZoneInfo("Europe/Madrid")
NOW = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
KEY = "a key that opens nothing but tests"
MAILBOX = "sara@plant.example"
BY = Actor("tests", "administrator", "command")


@recorded
def write_plant(session: Session) -> None:
    """A plant with two lines of two bodymakers and three shifts, from 06:00 on."""
    shifts = [("morning", "06:00"), ("late", "14:00"), ("night", "22:00")]
    said = {
        "name": "Tin Works",
        "time_zone": ZONE.key,
        "shift": [{"name": name, "starts": starts} for name, starts in shifts],
    }
    at = NOW - timedelta(days=60)
    record_plant(session, [PlantFact.read(said, ZONE)], BY, at)
    lines = [LineFact.read({"line": line, "name": f"Line {line}"}, ZONE) for line in (1, 2)]
    record_lines(session, lines, BY, at)
    machines = [
        MachineFact.read({"line": line, "station": "bodymaker", "number": number}, ZONE)
        for line in (1, 2)
        for number in (1, 2)
    ]
    record_machines(session, machines, BY, at)


def person(engine: Engine, role: str = "supervisor") -> Actor:
    """Somebody with an account."""
    Cast(engine).join(role)
    with writing(engine) as session:
        key = session.execute(
            select(Account.id).where(Account.name == CAST[role].name)
        ).scalar_one()
    return Actor(CAST[role].name, role, "page", key)


def asks(engine: Engine, who: Actor, at: datetime = NOW, **values: Any) -> Subscribed:
    """Have somebody told; by e-mail of complaints unless said otherwise."""
    said = {"kinds": "complaint", "way": "email", "address": MAILBOX} | values
    with writing(engine) as session:
        return subscribe(session, SubscriptionFact.read(said, ZONE), who, at, KEY)


def complaint(number: int, at: datetime = NOW, **values: Any) -> Occasion:
    """Something to be told."""
    return Occasion(
        Kind.COMPLAINT,
        f"complaint {number}",
        at,
        f"Complaint {number} written by quentin",
        "Split; code as read 1-2.",
        f"/complaints/{number}",
        "1-2",
        **values,
    )


def find(engine: Engine, *found: Occasion, at: datetime = NOW) -> int:
    """Keep what happened for whoever asks for it."""
    with writing(engine) as session:
        wanted = all_wanted(session)
        pairs = [(who, one) for who in wanted for one in found if matches(who, one, at)]
        return keep_found(session, pairs, the_plant(session).rota, at)


def settings_of(engine: Engine, folder: Path, **values: Any) -> Settings:
    """Settings of an installation on a database."""
    return Settings(
        database_url=engine.url.render_as_string(hide_password=False),
        secret_key=KEY,
        data_dir=folder,
        **values,
    )


def everything(engine: Engine) -> tuple[list[Notice], list[OutboxMessage], list[OutboxAttempt]]:
    """All notices, messages and attempts, in the order in which they were made."""
    with Session(engine) as session:
        found = tuple(
            list(session.execute(select(table).order_by(table.id)).scalars())
            for table in (Notice, OutboxMessage, OutboxAttempt)
        )
        session.expunge_all()
    return found  # type: ignore[return-value]


@dataclass
class Mailbox:
    """A mail server on this machine that keeps what it takes, and refuses as it is told."""

    letters: list[tuple[str, list[str], str]] = field(default_factory=list)
    rcpt_answer: str | None = None
    data_answers: list[str] = field(default_factory=list)
    on_data: Callable[[], None] = lambda: None
    port: int = 0

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Dialogue, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        """Whether a mailbox is known."""
        if self.rcpt_answer:
            return self.rcpt_answer
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(  # noqa: N802
        self, server: SMTP, session: Dialogue, envelope: Envelope
    ) -> str:
        """Keep a mail."""
        self.on_data()
        answer = self.data_answers.pop(0) if self.data_answers else "250 kept"
        if answer.startswith("250"):
            text = envelope.content.decode() if isinstance(envelope.content, bytes) else ""
            self.letters.append((envelope.mail_from or "", envelope.rcpt_tos, text))
        return answer


def controller_of(mailbox: Mailbox, **options: Any) -> Controller:
    """A mail server on a free port, which is kept with its mailbox, running."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        mailbox.port = probe.getsockname()[1]
    made = Controller(mailbox, hostname="127.0.0.1", port=mailbox.port, **options)
    made.start()
    return made


@dataclass
class Receiver:
    """A program on this machine that is called, and answers as it is told."""

    calls: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    answers: list[tuple[int, dict[str, str], bytes]] = field(default_factory=list)
    on_call: Callable[[], None] = lambda: None

    def start(self) -> "Receiver":
        """Listen on a free port."""
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                receiver.calls.append((self.path, dict(self.headers.items()), body))
                receiver.on_call()
                usual: tuple[int, dict[str, str], bytes] = (200, {}, b"thank you")
                status, headers, said = receiver.answers.pop(0) if receiver.answers else usual
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", str(len(said)))
                self.end_headers()
                self.wfile.write(said)

            def log_message(self, *_said: Any) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._thread = Thread(target=self._server.serve_forever, args=[0.02])
        self._thread.start()
        return self

    def stop(self) -> None:
        """Listen no more."""
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self._server.server_port}/in?line=1"


def minutes(count: float) -> timedelta:
    """So many minutes."""
    return timedelta(minutes=count)
