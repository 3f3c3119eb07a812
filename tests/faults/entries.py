"""Clients that log entries without pause, and the exact account of what was acknowledged."""

import http.client
import threading
import time
import uuid
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, TypeAlias

from sqlalchemy import Engine, select

from tests.api.plant import BY, furnish
from tests.faults.servers import Answer, ask
from tests.support.site import JOINED_AT
from tracelog.db import new_id, reading, writing
from tracelog.defects.models import Entry
from tracelog.instants import now
from tracelog.keeping.integrity import look_over
from tracelog.people.actions import create_account, create_token
from tracelog.people.queries import account_named

Kept: TypeAlias = tuple[uuid.UUID, str, int, datetime]
NAME, SECRET = "gateway", "a word that opens nothing but tests"
SEEN = datetime(2026, 3, 2, 6, tzinfo=UTC)


def furnish_place(engine: Engine) -> str:
    """Give an empty database the API tests' plant and one program; returns its token."""
    with writing(engine) as session:
        furnish(session)
        create_account(session, NAME, NAME, "administrator", SECRET, BY, JOINED_AT)
        account = account_named(session, NAME)
        return create_token(session, account, "faults", "administrator", BY, JOINED_AT)


@dataclass
class Account:
    """What clients sent and what they were told of it.

    Attributes:
        sent: every entry that was sent, by its id.
        acknowledged: ids that were answered with 201 or 200.
        statuses: how often each status came; 0: no whole answer.
        refused: answers of 500 and above.
        broken_off: what clients met where the server had taken their connection and gave no whole
            answer.
        wrong: the first answer that blames the entry, which is right.
    """

    sent: dict[uuid.UUID, dict[str, Any]] = field(default_factory=dict)
    acknowledged: set[uuid.UUID] = field(default_factory=set)
    statuses: Counter[int] = field(default_factory=Counter)
    refused: list[Answer] = field(default_factory=list)
    broken_off: list[str] = field(default_factory=list)
    wrong: Answer | None = None
    lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, entry: dict[str, Any], answer: Answer | None) -> None:
        """Write down what came of one attempt."""
        with self.lock:
            status = answer.status if answer else 0
            self.statuses[status] += 1
            if status in (200, 201):
                self.acknowledged.add(uuid.UUID(entry["id"]))
            elif answer is not None and status >= 500:
                self.refused.append(answer)
            elif answer is not None and self.wrong is None:
                self.wrong = answer


def entry(number: int) -> dict[str, Any]:
    """The n-th entry of a client; no two say the same."""
    seen_at = SEEN + timedelta(seconds=number)
    return {
        "id": str(new_id()),
        "seen_at": seen_at.isoformat(),
        "logged_at": seen_at.isoformat(),
        "dome_code": f"1-{1 + number % 3}",
        "defect": "split",
        "found_at": "trimmer",
        "cans": 1 + number % 7,
    }


class Loggers:
    """Clients that log entry after entry, as a tablet does: one that was not acknowledged is sent
    again with its id until it is, also after the server was gone."""

    def __init__(self, port: int, token: str, clients: int = 4) -> None:
        self.account = Account()
        self._port, self._token = port, token
        self._stop = threading.Event()
        self._finish_by = float("inf")
        self._threads = [
            threading.Thread(target=self._log, args=[place]) for place in range(clients)
        ]

    def _log(self, place: int) -> None:
        number = place
        while not self._stop.is_set():
            one = entry(number)
            with self.account.lock:
                self.account.sent[uuid.UUID(one["id"])] = one
            while not self._try(one) and time.monotonic() < self._finish_by:
                if self.account.wrong is not None:
                    return
                time.sleep(0.05)
            number += len(self._threads)

    def _try(self, one: dict[str, Any]) -> bool:
        answer = None
        try:
            answer = ask(self._port, "POST", "/api/v1/defects", one, self._token, timeout=30)
        except ConnectionRefusedError:
            answer = None
        except (OSError, http.client.HTTPException) as problem:
            self.account.broken_off.append(repr(problem))
        self.account.note(one, answer)
        return answer is not None and answer.status in (200, 201)

    def wait_for(self, more: int, patience_s: float = 60.0) -> None:
        """Wait until so many more entries were acknowledged."""
        wanted = len(self.account.acknowledged) + more
        give_up_at = time.monotonic() + patience_s
        while len(self.account.acknowledged) < wanted:
            assert self.account.wrong is None, self.account.wrong.text
            assert time.monotonic() < give_up_at, f"no more entries get in: {self.account.statuses}"
            time.sleep(0.01)

    @contextmanager
    def at_work(self) -> Iterator["Loggers"]:
        """Log within a block; at its end everything that was begun is sent until it is kept."""
        for thread in self._threads:
            thread.start()
        try:
            yield self
        finally:
            self._finish_by = time.monotonic() + 60
            self._stop.set()
            for thread in self._threads:
                thread.join(90)


def kept_entries(engine: Engine) -> list[Kept]:
    """All entries that are there, in order: id, dome code, cans and when they were seen."""
    with reading(engine) as session:
        rows = session.execute(select(Entry.id, Entry.dome_code, Entry.cans, Entry.seen_at)).all()
    return sorted((row[0], str(row[1]), row[2], row[3]) for row in rows)


def _as_kept(one: dict[str, Any]) -> Kept:
    return (
        uuid.UUID(one["id"]),
        one["dome_code"],
        one["cans"],
        datetime.fromisoformat(one["seen_at"]),
    )


def check_account(engine: Engine, accounts: Sequence[Account]) -> int:
    """Compare exactly what was acknowledged with what is there, and look the whole database over.

    Returns:
        How many entries there are.
    """
    sent = {_as_kept(one) for account in accounts for one in account.sent.values()}
    acknowledged = {
        _as_kept(account.sent[one]) for account in accounts for one in account.acknowledged
    }
    kept = kept_entries(engine)
    lost = sorted(acknowledged - set(kept))
    strange = sorted(set(kept) - sent)
    assert not lost, f"acknowledged, and not there as it was sent: {lost}"
    assert not strange, f"there, and never sent so: {strange}"
    assert len({one[0] for one in kept}) == len(kept)
    check_whole(engine)
    return len(kept)


def check_whole(engine: Engine) -> None:
    """The audit trail, the references and the derived tables are whole."""
    with writing(engine) as session:
        report = look_over(session, now(), rebuild=False)
        assert report.is_whole, report
        session.rollback()
