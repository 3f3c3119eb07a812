"""The archive of a backup: a ZIP file of one text file for each table, and what must be in it.

Every table is a file of JSON lines (RFC 8259), one array for each row in the order of the columns
that the manifest names; instants are UTC, ids and bytes text, so that it depends on no engine.
"""

import hashlib
import json
import lzma
import os
import struct
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from tracelog.errors import TracelogError
from tracelog.language import _

FORMAT = 1
MANIFEST = "manifest.json"
# A manifest is some kilobytes; whoever sends more wants something else.
_MOST_MANIFEST_BYTES = 10_000_000
# A photo with its digits doubled, and far more than that.
_MOST_ROW_BYTES = 64_000_000
# What reading raises where a file is no archive, or was altered: a changed byte can break the
# compressed text before any sum is compared.
_NO_ARCHIVE = (
    *(zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error),
    *(EOFError, NotImplementedError, RuntimeError, ValueError, OverflowError),
)

Kind = Literal["uuid", "instant", "date", "time", "bytes", "plain"]


class TableInArchive(BaseModel):
    """One table: its columns in order with the kind of each, and what its file must be."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    columns: list[tuple[str, Kind]]
    rows: int
    size_bytes: int
    sha256: str

    @property
    def member(self) -> str:
        """The name of its file in the archive."""
        return f"tables/{self.name}.jsonl"


class Manifest(BaseModel):
    """What is in a backup, as of which moment, and of which tables' version."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: int
    made_at: datetime
    # The version of the tables, by the name of their last migration.
    revision: str
    program: str
    plant: str | None
    settings: dict[str, str]
    tables: list[TableInArchive]


class ArchiveWriter:
    """Writes one archive, table after table; the manifest comes last."""

    def __init__(self, target: zipfile.ZipFile) -> None:
        self._target = target
        self.tables: list[TableInArchive] = []

    def add(self, name: str, columns: list[tuple[str, Kind]], rows: Iterable[list[Any]]) -> None:
        """Write a table whose rows are ready for JSON."""
        digest, count, size = hashlib.sha256(), 0, 0
        with self._target.open(f"tables/{name}.jsonl", "w", force_zip64=True) as member:
            for row in rows:
                line = json.dumps(row, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
                member.write(line)
                digest.update(line)
                count, size = count + 1, size + len(line)
        self.tables.append(
            TableInArchive(
                name=name, columns=columns, rows=count, size_bytes=size, sha256=digest.hexdigest()
            )
        )

    def finish(self, manifest: Manifest) -> None:
        """Write the manifest, without which an archive is refused."""
        self._target.writestr(MANIFEST, manifest.model_dump_json(indent=2))


@contextmanager
def writing_archive(path: Path) -> Iterator[ArchiveWriter]:
    """Write an archive beside its place, and put it there when it is whole and on the disk.

    Raises:
        TracelogError: it cannot be written; nothing is left behind.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("xb") as raw:
            with zipfile.ZipFile(raw, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as target:
                yield ArchiveWriter(target)
            raw.flush()
            os.fsync(raw.fileno())
        part.replace(path)
        _settle(path.parent)
    except OSError as problem:
        raise TracelogError(
            _("%(path)s cannot be written: %(why)s", path=path, why=problem.strerror or problem)
        ) from problem
    finally:
        part.unlink(missing_ok=True)


def _settle(folder: Path) -> None:
    """Have the new name on the disk as well, where the system lets a folder be synced."""
    if hasattr(os, "O_DIRECTORY"):
        opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)


class Archive:
    """An archive that was opened and found whole."""

    def __init__(self, source: zipfile.ZipFile, manifest: Manifest) -> None:
        self._source = source
        self.manifest = manifest

    def rows(self, table: TableInArchive) -> Iterator[list[Any]]:
        """The rows of a table, as JSON gives them."""
        with self._source.open(table.member) as member:
            while line := member.readline(_MOST_ROW_BYTES + 1):
                if len(line) > _MOST_ROW_BYTES:
                    raise ValueError(_("a row is longer than any row can be"))
                yield json.loads(line)


@contextmanager
def reading_archive(path: Path) -> Iterator[Archive]:
    """Open an archive after looking over all of it: nothing is missing, nothing was altered.

    Raises:
        TracelogError: it is no backup, of a later format, incomplete or altered.
    """
    try:
        with zipfile.ZipFile(path) as source:
            manifest = _manifest(source, path)
            for table in manifest.tables:
                _verify(source, table, path)
            yield Archive(source, manifest)
    except _NO_ARCHIVE as problem:
        raise _not_whole(path, str(problem)) from problem
    except OSError as problem:
        raise TracelogError(
            _("%(path)s cannot be read: %(why)s", path=path, why=problem.strerror or problem)
        ) from problem


def _manifest(source: zipfile.ZipFile, path: Path) -> Manifest:
    names = [info.filename for info in source.infolist()]
    if MANIFEST not in names or source.getinfo(MANIFEST).file_size > _MOST_MANIFEST_BYTES:
        raise _not_whole(path, _("it has no manifest"))
    try:
        manifest = Manifest.model_validate_json(source.read(MANIFEST))
    except ValidationError as problem:
        first = problem.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise _not_whole(path, _("its manifest is wrong at %(where)s", where=where)) from problem
    if manifest.format != FORMAT:
        raise TracelogError(
            _(
                "%(path)s is of format %(found)d, and this version reads format %(known)d; restore"
                " it with the version that made it",
                path=path,
                found=manifest.format,
                known=FORMAT,
            )
        )
    expected = sorted([MANIFEST, *(table.member for table in manifest.tables)])
    if sorted(names) != expected:
        odd = sorted(set(names) ^ set(expected)) or names
        raise _not_whole(path, _("missing or one too many: %(name)s", name=odd[0]))
    return manifest


def _verify(source: zipfile.ZipFile, table: TableInArchive, path: Path) -> None:
    digest, size = hashlib.sha256(), 0
    with source.open(table.member) as member:
        while piece := member.read(1 << 20):
            size += len(piece)
            if size > table.size_bytes:
                break
            digest.update(piece)
    if size != table.size_bytes or digest.hexdigest() != table.sha256:
        raise _not_whole(path, _("table %(name)s was altered", name=table.name))


def _not_whole(path: Path, why: str) -> TracelogError:
    return TracelogError(
        _(
            "%(path)s is no whole backup, so nothing was restored: %(why)s; take another one",
            path=path,
            why=why,
        )
    )
