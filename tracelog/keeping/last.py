"""What is remembered of the last good backup, for whoever watches over the installation."""

import json
import os
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

_NAME = "last-backup.json"


@dataclass(frozen=True)
class LastBackup:
    """When the last backup was whole, and where it was put."""

    made_at: datetime
    path: str


def remember(data_dir: Path, last: LastBackup) -> None:
    """Keep it in the data folder, beside the database that it is of."""
    part = data_dir / f".{_NAME}.{os.getpid()}"
    part.write_text(
        json.dumps({"made_at": last.made_at.isoformat(), "path": last.path}), encoding="utf-8"
    )
    part.replace(data_dir / _NAME)


def last_backup(data_dir: Path) -> LastBackup | None:
    """The last good backup; None where there was none, or nothing of it can be read."""
    with suppress(OSError, ValueError, KeyError, TypeError):
        told = json.loads((data_dir / _NAME).read_text(encoding="utf-8"))
        return LastBackup(datetime.fromisoformat(told["made_at"]), str(told["path"]))
    return None
