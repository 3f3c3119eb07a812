"""How an installation does: backup, disk, database, counters, what waits. Reads only."""

import platform
import shutil
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib.metadata import version
from pathlib import Path

from sqlalchemy import Engine, func, select, text
from sqlalchemy.orm import Session

from tracelog.config import Settings
from tracelog.db import revision_of
from tracelog.defects.models import CurrentEntry, Entry
from tracelog.errors import NoPlant
from tracelog.intake.models import RejectedMessage
from tracelog.keeping import rules
from tracelog.keeping.last import LastBackup, last_backup
from tracelog.keeping.scheduled import Failure, failure
from tracelog.notices.models import Notice, OutboxMessage
from tracelog.plant.queries import directory, the_plant
from tracelog.strokes.models import Reading
from tracelog.strokes.queries import last_reading
from tracelog.strokes.questions import silences

DAY, HOUR = timedelta(days=1), timedelta(hours=1)


@dataclass(frozen=True)
class Disk:
    """A folder that must not become full, and how many bytes its disk has free, and in all."""

    folder: str
    free_bytes: int
    total_bytes: int


@dataclass(frozen=True)
class Outbox:
    """What waits to be sent, since when the oldest of it is due, and what was given up in a day."""

    waiting: int
    oldest_due_at: datetime | None
    given_up: int


@dataclass(frozen=True)
class CounterAge:
    """How long ago a bodymaker's counter was read, seconds; None: never. `silent`: too long."""

    machine: str
    age_s: float | None
    silent: bool


@dataclass(frozen=True)
class Standing:
    """How an installation does at one instant.

    Attributes:
        at: UTC.
        program: version of the program; `python`, and `database`, in their own words.
        revision: version of the tables.
        database_bytes: how large the database is.
        backup: the last good one made on this server.
        backup_failed: what went wrong with the scheduled one since, or None.
        backups_to: folder of scheduled backups; None: none are scheduled.
        backup_keep: how many of them are kept.
        disks: of the data folder, of the backups, of SQLite's file; each disk once.
        outbox: of notices.
        counters: of all bodymakers, in order.
        entries: findings on record; `entries_hour` in the last hour.
        readings_hour: readings taken in the last hour.
        rejected: messages that could not be taken and are kept; `rejected_day` in the last day.
    """

    at: datetime
    program: str
    python: str
    database: str
    revision: str
    database_bytes: int
    backup: LastBackup | None
    backup_failed: Failure | None
    backups_to: str | None
    backup_keep: str
    disks: tuple[Disk, ...]
    outbox: Outbox
    counters: tuple[CounterAge, ...]
    entries: int
    entries_hour: int
    readings_hour: int
    rejected: int
    rejected_day: int

    @property
    def backup_age(self) -> timedelta | None:
        """How old the last good backup is."""
        return self.at - self.backup.made_at if self.backup else None

    @property
    def backup_is_old(self) -> bool:
        """Whether there should be a newer one; so too where there was never any."""
        age = self.backup_age
        return age is None or age > rules.TOO_OLD

    @property
    def silent(self) -> tuple[str, ...]:
        """The bodymakers whose counters say nothing for longer than usual, or never did."""
        return tuple(one.machine for one in self.counters if one.silent)


def standing(session: Session, engine: Engine, settings: Settings, now: datetime) -> Standing:
    """How the installation does.

    Args:
        session: an open session.
        engine: of the database, for its address.
        settings: of this installation.
        now: UTC.

    Returns:
        A fixed number of statements.
    """
    retention = rules.read_retention(settings.backup_keep)
    readings_hour, counters = _of_counters(session, now)
    rejected = session.execute(
        select(
            func.coalesce(func.sum(RejectedMessage.times), 0),
            func.coalesce(
                func.sum(RejectedMessage.times).filter(RejectedMessage.last_at > now - DAY), 0
            ),
        )
    ).one()
    return Standing(
        at=now,
        program=version("tracelog"),
        python=platform.python_version(),
        database=_server(session),
        revision=revision_of(session.connection()),
        database_bytes=_size(session),
        backup=last_backup(settings.data_dir),
        backup_failed=failure(settings.data_dir),
        backups_to=settings.backup_folder,
        backup_keep=str(retention),
        disks=_disks(engine, settings),
        outbox=_outbox(session, now),
        counters=counters,
        entries=session.execute(select(func.count()).select_from(Entry)).scalar_one(),
        entries_hour=session.execute(
            select(func.count()).where(
                CurrentEntry.logged_at > now - HOUR, CurrentEntry.logged_at <= now
            )
        ).scalar_one(),
        readings_hour=readings_hour,
        rejected=int(rejected[0]),
        rejected_day=int(rejected[1]),
    )


def _server(session: Session) -> str:
    if session.get_bind().dialect.name == "sqlite":
        return f"SQLite {session.execute(text('SELECT sqlite_version()')).scalar_one()}"
    return f"PostgreSQL {session.execute(text('SHOW server_version')).scalar_one()}"


def _size(session: Session) -> int:
    if session.get_bind().dialect.name == "sqlite":
        asked = "SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()"
    else:
        asked = "SELECT pg_database_size(current_database())"
    return int(session.execute(text(asked)).scalar_one())


def _disks(engine: Engine, settings: Settings) -> tuple[Disk, ...]:
    folders = [settings.data_dir]
    if engine.dialect.name == "sqlite" and engine.url.database:
        folders.append(Path(engine.url.database).parent)
    if settings.backup_folder:
        folders.append(Path(settings.backup_folder).expanduser())
    found: dict[int, Disk] = {}
    for folder in folders:
        if folder.is_dir():
            usage = shutil.disk_usage(folder)
            found.setdefault(folder.stat().st_dev, Disk(str(folder), usage.free, usage.total))
    return tuple(found.values())


def _outbox(session: Session, now: datetime) -> Outbox:
    open_ones = OutboxMessage.state.in_(["waiting", "claimed"])
    waiting, oldest = session.execute(
        select(func.count(), func.min(OutboxMessage.made_at)).where(open_ones)
    ).one()
    gathered, due = session.execute(
        select(func.count(), func.min(Notice.send_at)).where(
            Notice.send_at <= now, Notice.message_id.is_(None)
        )
    ).one()
    given_up = session.execute(
        select(func.count()).where(
            OutboxMessage.state == "given up", OutboxMessage.made_at > now - DAY
        )
    ).scalar_one()
    return Outbox(
        waiting + gathered, min((one for one in (oldest, due) if one), default=None), given_up
    )


def _of_counters(session: Session, now: datetime) -> tuple[int, tuple[CounterAge, ...]]:
    try:
        the_plant(session)
    except NoPlant:
        return 0, ()
    machines = directory(session).bodymakers
    ids: list[uuid.UUID] = [one.id for one in machines]
    # The table is read by machine first, so the machines are named.
    lately = session.execute(
        select(func.count()).where(
            Reading.machine_id.in_(ids), Reading.read_at > now - HOUR, Reading.read_at <= now
        )
    ).scalar_one()
    last, silent = last_reading(session, ids, now), silences(session, now)
    ages: Mapping[uuid.UUID, float] = {
        machine: (now - one.read_at).total_seconds() for machine, one in last.items()
    }
    return lately, tuple(
        CounterAge(one.text, ages.get(one.id), one.id in silent) for one in machines
    )
