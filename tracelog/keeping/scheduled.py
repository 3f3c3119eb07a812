"""The backup of each day: made by whichever process finds it due first, and what became of it."""

import json
import os
import time
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import Engine

from tracelog.config import Settings
from tracelog.db import reading
from tracelog.errors import NoPlant, TracelogError
from tracelog.instants import zone_named
from tracelog.keeping import rules
from tracelog.keeping.alone import alone
from tracelog.keeping.archive import reading_archive
from tracelog.keeping.last import LastBackup, remember
from tracelog.keeping.making import NAMED, back_up, place_in
from tracelog.language import _
from tracelog.plant.queries import the_plant

_LOCK, _STATE = "backup.lock", "backup-failed.json"
_PART_SECONDS = 86_400


@dataclass(frozen=True)
class Failure:
    """The failures in a row since the last good scheduled backup, and what the last one said."""

    at: datetime
    why: str
    times: int


@dataclass(frozen=True)
class Schedule:
    """What the settings say of scheduled backups."""

    folder: Path
    at: datetime
    zone: ZoneInfo
    retention: rules.Retention
    is_due: bool


@dataclass(frozen=True)
class Made:
    """A scheduled backup that was made, and the older ones that were removed after it."""

    path: Path
    removed: list[Path]


def schedule(
    engine: Engine, settings: Settings, now: datetime, *, failed: Failure | None = None
) -> Schedule | None:
    """What is scheduled, and whether it is to be made now; None: nothing is.

    Args:
        engine: asked for the plant's zone; without a plant, UTC.
        settings: of this installation.
        now: UTC.
        failed: what `failure` tells; after one it is not due again at once.

    Raises:
        TracelogError: a setting is wrong.
    """
    if not settings.backup_folder:
        return None
    at, retention = rules.read_time(settings.backup_at), rules.read_retention(settings.backup_keep)
    zone = _zone(engine)
    folder = Path(settings.backup_folder).expanduser()
    due = rules.is_due(max(_backups_in(folder), default=None), now, at, zone)
    if failed is not None:
        due = due and rules.may_try(failed.at, failed.times, now)
    return Schedule(folder, rules.last_due(now, at, zone), zone, retention, due)


def _zone(engine: Engine) -> ZoneInfo:
    with reading(engine) as session:
        try:
            return the_plant(session).zone
        except NoPlant:
            return zone_named("UTC")


def make_scheduled(engine: Engine, settings: Settings, now: datetime) -> Made | None:
    """Make the backup of the day if it is due and nobody else is at it; None: it was not.

    Older ones of the folder are removed only after the new one was read again.

    Raises:
        TracelogError: it could not be made; that is remembered for whoever looks (`failure`).
    """
    with alone(settings.data_dir / _LOCK) as is_ours:
        if not is_ours:
            return None
        try:
            found = schedule(engine, settings, now, failed=failure(settings.data_dir))
            if found is None or not found.is_due:
                return None
            made = _make(engine, settings, found, now)
        except Exception as problem:
            _remember_failure(settings.data_dir, problem, now)
            raise
        (settings.data_dir / _STATE).unlink(missing_ok=True)
        return made


def _make(engine: Engine, settings: Settings, found: Schedule, now: datetime) -> Made:
    try:
        found.folder.mkdir(parents=True, exist_ok=True)
        _clear_parts(found.folder)
    except OSError as problem:
        raise TracelogError(
            _(
                "the folder %(path)s cannot be made: %(why)s",
                path=found.folder,
                why=problem.strerror,
            )
        ) from problem
    path = place_in(found.folder, now)
    back_up(engine, path, settings, now)
    with reading_archive(path):
        remember(settings.data_dir, LastBackup(now, str(path.resolve())))
    return Made(path, thin_by_calendar(found.folder, found.retention, found.zone))


def thin_by_calendar(folder: Path, retention: rules.Retention, zone: ZoneInfo) -> list[Path]:
    """Remove the backups of a folder that are not among those to keep; other files are left alone.

    Returns:
        What was removed, the oldest first.
    """
    ours = _backups_in(folder)
    kept = rules.to_keep(ours, retention, zone)
    gone = [ours[moment] for moment in sorted(set(ours) - kept)]
    for path in gone:
        path.unlink()
    return gone


def _backups_in(folder: Path) -> dict[datetime, Path]:
    """Those that are there, by when they were made; of a folder that cannot be read, none."""
    with suppress(OSError):  # what is wrong with it is told where one is to be put there
        return {_made_at(path): path for path in folder.iterdir() if NAMED.fullmatch(path.name)}
    return {}


def _made_at(path: Path) -> datetime:
    return datetime.strptime(path.stem, "tracelog-%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)


def _clear_parts(folder: Path) -> None:
    """What a backup left behind that was killed at it."""
    for path in folder.glob(".tracelog-*.part"):
        with suppress(FileNotFoundError):
            if time.time() - path.stat().st_mtime > _PART_SECONDS:
                path.unlink()


def failure(data_dir: Path) -> Failure | None:
    """What went wrong with the scheduled backup since the last good one; None: nothing."""
    with suppress(OSError, ValueError, KeyError, TypeError):
        told = json.loads((data_dir / _STATE).read_text(encoding="utf-8"))
        return Failure(datetime.fromisoformat(told["at"]), str(told["why"]), int(told["times"]))
    return None


def _remember_failure(data_dir: Path, problem: Exception, now: datetime) -> None:
    before = failure(data_dir)
    lines = str(problem).strip().splitlines() or [type(problem).__name__]
    why = (
        lines[0] if isinstance(problem, TracelogError) else f"{type(problem).__name__}: {lines[0]}"
    )
    told = {"at": now.isoformat(), "why": why, "times": (before.times if before else 0) + 1}
    part = data_dir / f".{_STATE}.{os.getpid()}"
    # A full disk must not hide why there is no backup.
    with suppress(OSError):
        part.write_text(json.dumps(told), encoding="utf-8")
        part.replace(data_dir / _STATE)
