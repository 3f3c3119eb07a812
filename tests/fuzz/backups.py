"""Archives of backups, restored into a database that is emptied again.

The first byte says what the rest is: ``z`` the archive itself, else a manifest, a line end, and
the lines of one table, whose size and sum are put right so that the restore itself is reached.
"""

import hashlib
import json
import tempfile
import zipfile
from functools import lru_cache
from pathlib import Path
from typing import Any

from tests.fuzz.places import emptied, empty_engine
from tests.fuzz.telling import must_tell
from tracelog.db import revision_of
from tracelog.errors import TracelogError
from tracelog.keeping.actions import restore


@lru_cache(maxsize=1)
def _folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="tracelog-fuzz-"))


def try_one(data: bytes) -> None:
    """Restore an archive: everything is put in, or nothing."""
    path = _folder() / "backup.zip"
    if data[:1] == b"z":
        path.write_bytes(data[1:])
    else:
        _write(path, data[1:])
    engine = empty_engine()
    try:
        manifest = restore(engine, path)
    except TracelogError as problem:
        must_tell(problem)
        return
    emptied(engine, [table.name for table in manifest.tables])
    assert manifest.format == 1


def _write(path: Path, content: bytes) -> None:
    head, _line_end, rows = content.partition(b"\n")
    try:
        manifest = json.loads(head)
    except (ValueError, RecursionError):
        manifest = None
    names = ["tables/lines.jsonl"]
    if isinstance(manifest, dict):
        manifest.setdefault("revision", _revision())
        names = _put_right(manifest, rows) or names
        head = json.dumps(manifest).encode()
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("manifest.json", head)
        for name in dict.fromkeys(names):
            archive.writestr(name, rows)


def _put_right(manifest: dict[str, Any], rows: bytes) -> list[str]:
    """Make a manifest fit what is in the archive; returns the members it names."""
    tables = manifest.get("tables")
    names = []
    for one in tables if isinstance(tables, list) else ():
        if isinstance(one, dict) and isinstance(one.get("name"), str):
            one["size_bytes"], one["sha256"] = len(rows), hashlib.sha256(rows).hexdigest()
            one.setdefault("rows", rows.count(b"\n"))
            names.append(f"tables/{one['name']}.jsonl")
    return names


@lru_cache(maxsize=1)
def _revision() -> str:
    with empty_engine().connect() as connection:
        return revision_of(connection)
