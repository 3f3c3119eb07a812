"""CSV files of the plant folder, as far as the database, and undone again.

The first byte says which file, the rest is its content.
"""

import tempfile
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

from sqlalchemy import Engine

from tests.api.plant import ZONE
from tests.fuzz.places import furnished_engine
from tests.fuzz.telling import must_tell
from tracelog.audit import Actor
from tracelog.errors import BadFact
from tracelog.facts import write_value
from tracelog.intake.csv_rows import CsvFile
from tracelog.intake.files import FILES, PlantFile
from tracelog.intake.folder_import import import_whole

BY = Actor("tests", "administrator", "command")
NOW = datetime(2026, 3, 3, tzinfo=UTC)


@lru_cache(maxsize=1)
def _place() -> tuple[Engine, Path]:
    return furnished_engine(), Path(tempfile.mkdtemp(prefix="tracelog-fuzz-"))


def try_one(data: bytes) -> None:
    """Read one file alone, then import it, and look that nothing is left of it."""
    if not data:
        return
    engine, folder = _place()
    file = FILES[data[0] % len(FILES)]
    path = folder / file.name
    path.write_bytes(data[1:])
    try:
        if not _rows(file, path):
            return
        done = import_whole(engine, folder, BY, NOW, dry_run=True)
        assert not done.is_kept
        for fault in done.report.faults:
            assert fault.sentence
    finally:
        path.unlink()


def _rows(file: PlantFile, path: Path) -> int:
    """How many rows are right by themselves; to import others tells nothing new, and takes long."""
    right = 0
    with CsvFile(path) as rows:
        known = (*file.columns, *file.unusual_columns)
        if rows.header_faults(known, file.needed_columns):
            return 0
        for row in rows.rows():
            if row.faults:
                continue
            try:
                fact = file.fact.read(dict(zip(rows.header, row.cells, strict=True)), ZONE)
            except BadFact as problem:
                must_tell(problem)
                continue
            # What is exported is read again as the same.
            told = {name: write_value(getattr(fact, name)) for name in file.columns}
            assert file.fact.read(told, ZONE) == fact, told
            right += 1
    return right
