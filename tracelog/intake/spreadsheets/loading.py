"""A spreadsheet taken in by a command, with a mapping that was kept before."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine

from tracelog.audit import Actor
from tracelog.db import writing
from tracelog.intake.spreadsheets.queries import mapping_named
from tracelog.intake.spreadsheets.sheets import MOST_BYTES, read_book
from tracelog.intake.spreadsheets.taking import Found, take_rows


@dataclass(frozen=True)
class Loaded:
    """What became of the rows, and whether they are kept."""

    found: Found
    is_kept: bool


def load_file(
    engine: Engine,
    path: Path,
    mapping_name: str,
    actor: Actor,
    now: datetime,
    *,
    keep_good: bool = False,
    dry_run: bool = False,
) -> Loaded:
    """Take in the rows of a spreadsheet: all of them, or with `keep_good` the good ones.

    Args:
        engine: of the database.
        path: the spreadsheet.
        mapping_name: under which its mapping was kept; fixes made in the browser do not count.
        actor: who takes them in.
        now: UTC.
        keep_good: keep the good rows although others are bad.
        dry_run: only look; write nothing.

    Raises:
        NotFound: no mapping has that name.
        TracelogError: the file cannot be read.
    """
    with path.open("rb") as file:
        book = read_book(path.name, file.read(MOST_BYTES + 1))
    with writing(engine) as session:
        found = take_rows(session, book, mapping_named(session, mapping_name), {}, actor, now)
        is_kept = not dry_run and (keep_good or not found.bad)
        if not is_kept:
            session.rollback()
    return Loaded(found, is_kept)
