"""A month of readings as a Parquet file: written, and read again to compare it with the table.

Columns: `machine` (text such as ``3-7``), `machine_id` (UUID as text), `read_at` (microseconds,
UTC), `strokes` (the counter's figure), `audit_id` (UUID as text); in order of machine and time.
The format: https://parquet.apache.org/docs/file-format/
"""

import hashlib
import os
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.strokes.rules import Whole

_ROW = [("machine", "V16"), ("read_at", ">i8"), ("strokes", ">i8"), ("audit", "V16")]
_ROWS_AT_ONCE = 200_000


@dataclass(frozen=True)
class Content:
    """How many readings, and the SHA-256 over all of them.

    Of each reading: id of the machine, instant in microseconds since 1970 (UTC), figure, id of the
    audit record; ids as their 16 bytes, numbers as eight, the highest first.
    """

    rows: int
    sha256: str


class MonthWriter:
    """Writes one file, machine after machine, and sums up what it was given."""

    def __init__(self, target: Any, schema: Any) -> None:
        self._target, self._schema = target, schema
        self._digest, self._rows = hashlib.sha256(), 0

    def add(
        self,
        machine: tuple[str, uuid.UUID],
        read_at: Whole,
        strokes: Whole,
        audit_ids: Sequence[uuid.UUID],
    ) -> None:
        """Write readings of one machine (its text, and its id) in order of time."""
        import pyarrow as pa

        count = len(read_at)
        if not count:
            return
        text, machine_id = machine
        texts: dict[uuid.UUID, str] = {}
        audits = [texts.setdefault(one, str(one)) for one in audit_ids]
        columns = [
            pa.array([text] * count),
            pa.array([str(machine_id)] * count),
            pa.array(read_at).cast(pa.timestamp("us", tz="UTC")),
            pa.array(strokes),
            pa.array(audits),
        ]
        self._target.write_table(pa.Table.from_arrays(columns, schema=self._schema))
        self._rows += count
        self._digest.update(_packed([machine_id] * count, read_at, strokes, audit_ids))

    @property
    def content(self) -> Content:
        """What was written so far."""
        return Content(self._rows, self._digest.hexdigest())


@contextmanager
def writing_month(path: Path, about: dict[str, str]) -> Iterator[MonthWriter]:
    """Write a file that is whole and on the disk when the block ends; nothing is left otherwise.

    Args:
        path: of the file.
        about: what the file says of itself, as text by name.

    Raises:
        TracelogError: it cannot be written.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = pa.schema(
        [
            pa.field("machine", pa.string()),
            pa.field("machine_id", pa.string()),
            pa.field("read_at", pa.timestamp("us", tz="UTC")),
            pa.field("strokes", pa.int64()),
            pa.field("audit_id", pa.string()),
        ],
        metadata=about,
    )
    try:
        with path.open("wb") as raw:
            with pq.ParquetWriter(raw, schema, compression="zstd") as target:
                yield MonthWriter(target, schema)
            raw.flush()
            os.fsync(raw.fileno())
    except OSError as problem:
        path.unlink(missing_ok=True)
        raise TracelogError(
            _("%(path)s cannot be written: %(why)s", path=path, why=problem.strerror or problem)
        ) from problem
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def content_of(path: Path) -> Content:
    """What a file holds, read from its beginning to its end.

    Raises:
        TracelogError: it cannot be read, or is no file of readings.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    digest, rows = hashlib.sha256(), 0
    try:
        with pq.ParquetFile(path) as source:
            names = ["machine_id", "read_at", "strokes", "audit_id"]
            for batch in source.iter_batches(_ROWS_AT_ONCE, columns=names):
                machines, moments, strokes, audits = (batch.column(name) for name in names)
                read_at = moments.cast(pa.int64()).to_numpy(zero_copy_only=False)
                ids = [_ids(column.to_pylist()) for column in (machines, audits)]
                figures = strokes.to_numpy(zero_copy_only=False)
                digest.update(_packed(ids[0], read_at, figures, ids[1]))
                rows += len(read_at)
    except (OSError, KeyError, ValueError, pa.ArrowException) as problem:
        raise TracelogError(
            _("%(path)s cannot be read: %(why)s", path=path, why=str(problem).splitlines()[0])
        ) from problem
    return Content(rows, digest.hexdigest())


def sha256_of(path: Path) -> str:
    """The SHA-256 of a file's bytes, in hex."""
    with path.open("rb") as source:
        return hashlib.file_digest(source, "sha256").hexdigest()


def _ids(texts: Sequence[str]) -> list[uuid.UUID]:
    known: dict[str, uuid.UUID] = {}
    for text in texts:
        if text not in known:
            known[text] = uuid.UUID(text)
    return [known[text] for text in texts]


def _packed(
    machines: Sequence[uuid.UUID], read_at: Whole, strokes: Whole, audits: Sequence[uuid.UUID]
) -> bytes:
    rows: npt.NDArray[Any] = np.empty(len(read_at), dtype=_ROW)
    rows["machine"] = np.frombuffer(b"".join(one.bytes for one in machines), dtype="V16")
    rows["read_at"], rows["strokes"] = read_at, strokes
    rows["audit"] = np.frombuffer(b"".join(one.bytes for one in audits), dtype="V16")
    return rows.tobytes()
