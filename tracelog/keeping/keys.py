"""The secret key that is kept in the data folder: a new one in its place, the old one on trial."""

import hashlib
import os
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from tracelog.config import KEY, OLDER_KEYS
from tracelog.errors import Conflict
from tracelog.language import _


@dataclass(frozen=True)
class KeyState:
    """What keys there are, each by the first signs of its hash, which tell it and do not open."""

    present: str
    since: datetime
    older: tuple[str, ...]


def state(data_dir: Path) -> KeyState:
    """What keys lie in the data folder.

    Raises:
        Conflict: none does.
    """
    path = _own(data_dir)
    since = datetime.fromtimestamp(path.stat().st_mtime, UTC)
    return KeyState(mark(_read(path)[0]), since, tuple(map(mark, _read(data_dir / OLDER_KEYS))))


def renew(data_dir: Path) -> KeyState:
    """Put a new key in place of the present one, which is kept as the newest of the older ones.

    What the older ones signed is accepted until `forget`. The older one is written down first, so
    that no power cut leaves a key that nobody has.
    """
    path = _own(data_dir)
    older = [*_read(path), *_read(data_dir / OLDER_KEYS)]
    _write(data_dir / OLDER_KEYS, list(dict.fromkeys(older)))
    _write(path, [secrets.token_urlsafe(48)])
    return state(data_dir)


def forget(data_dir: Path) -> int:
    """Forget the older keys: nothing that they signed is accepted any more; returns how many."""
    _own(data_dir)
    count = len(_read(data_dir / OLDER_KEYS))
    (data_dir / OLDER_KEYS).unlink(missing_ok=True)
    return count


def mark(key: str) -> str:
    """What tells one key from another."""
    return hashlib.sha256(key.encode()).hexdigest()[:12]


def _own(data_dir: Path) -> Path:
    path = data_dir / KEY
    if not path.exists():
        raise Conflict(
            _(
                "no key lies in %(folder)s; one that is set as TRACELOG_SECRET_KEY is changed"
                " there, and the one before is set as TRACELOG_SECRET_KEY_FALLBACKS",
                folder=data_dir,
            )
        )
    return path


def _read(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="ascii").split()
    except FileNotFoundError:
        return []


def _write(path: Path, keys: list[str]) -> None:
    part = path.with_name(f".{path.name}.{os.getpid()}")
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="ascii") as file:
        file.write("\n".join(keys))
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
