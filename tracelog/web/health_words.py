"""What an administrator should look at, in sentences; and how an installation does, as JSON."""

from datetime import timedelta
from typing import Any

from tracelog.keeping.standing import Standing
from tracelog.language import _
from tracelog.web.numbers import number, span

# A disk with less than this free, of all or in bytes, is told of.
LEAST_FREE_SHARE, LEAST_FREE_BYTES = 0.05, 2_000_000_000
_LONG_WAIT = timedelta(hours=1)
_UNITS = ("B", "kB", "MB", "GB", "TB")


def cautions(found: Standing) -> list[str]:
    """What is to be looked at, the most pressing first; none: nothing is."""
    return [*_of_backup(found), *_of_disks(found), *_of_outbox(found)]


def _of_backup(found: Standing) -> list[str]:
    said = []
    if found.backup_failed is not None:
        said.append(
            _(
                "The scheduled backup failed, %(times)d in a row: %(why)s",
                times=found.backup_failed.times,
                why=found.backup_failed.why,
            )
        )
    age = found.backup_age
    if age is None:
        said.append(_("No backup was ever made on this server."))
    elif found.backup_is_old:
        said.append(_("The last good backup is %(age)s old.", age=span(age)))
    return said


def _of_disks(found: Standing) -> list[str]:
    return [
        _(
            "The disk of %(folder)s is nearly full: %(free)s of %(total)s are free.",
            folder=one.folder,
            free=size(one.free_bytes),
            total=size(one.total_bytes),
        )
        for one in found.disks
        if one.free_bytes < max(LEAST_FREE_BYTES, LEAST_FREE_SHARE * one.total_bytes)
    ]


def _of_outbox(found: Standing) -> list[str]:
    said, due = [], found.outbox.oldest_due_at
    if due is not None and found.at - due > _LONG_WAIT:
        said.append(_("Notices wait to be sent, the oldest for %(age)s.", age=span(found.at - due)))
    if found.outbox.given_up:
        said.append(
            _(
                "%(count)d notices of the last day were given up; Deliveries says why.",
                count=found.outbox.given_up,
            )
        )
    return said


def size(count: float) -> str:
    """A number of bytes for people, in decimal units.

    >>> size(532), size(1_500_000), size(2_400_000_000)
    ('532 B', '1.5 MB', '2.4 GB')
    """
    power = 0
    while count >= 1000 and power < len(_UNITS) - 1:
        count, power = count / 1000, power + 1
    return f"{number(count, ',.1f' if power else ',.0f')} {_UNITS[power]}"


def health_answer(found: Standing) -> dict[str, Any]:
    """How the installation does, for command and API: sizes in bytes, ages in seconds, UTC."""
    age = found.backup_age
    return {
        "at": found.at,
        "cautions": cautions(found),
        "program": found.program,
        "python": found.python,
        "database": found.database,
        "revision": found.revision,
        "database_bytes": found.database_bytes,
        "backup": {
            "made_at": found.backup.made_at if found.backup else None,
            "age_seconds": age.total_seconds() if age is not None else None,
            "is_old": found.backup_is_old,
            "scheduled": found.backups_to is not None,
            "failures": found.backup_failed.times if found.backup_failed else 0,
            "why": found.backup_failed.why if found.backup_failed else None,
        },
        "disks": [
            {"folder": one.folder, "free_bytes": one.free_bytes, "total_bytes": one.total_bytes}
            for one in found.disks
        ],
        "notices": {
            "waiting": found.outbox.waiting,
            "oldest_due_at": found.outbox.oldest_due_at,
            "given_up_day": found.outbox.given_up,
        },
        "counters_silent": list(found.silent),
        "entries": found.entries,
        "entries_hour": found.entries_hour,
        "readings_hour": found.readings_hour,
        "rejected_day": found.rejected_day,
    }
