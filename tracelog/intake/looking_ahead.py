"""Looking through a plant folder before it is imported: what of it is there already.

An import has the turn to write until it ends, and tablets and collectors wait meanwhile. Most rows
of a folder that grows from day to day were imported before. To find that out needs no turn.
"""

from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from tracelog.audit import Actor
from tracelog.db import looking
from tracelog.errors import NoPlant
from tracelog.intake.csv_rows import CsvFile
from tracelog.intake.files import FILES, PLANT_FILE, PlantFile
from tracelog.intake.importing import Importing, KnownPieces, no_search_for_cycles, stamp_of
from tracelog.intake.plant_file import read_plant_file
from tracelog.intake.reading_import import import_of
from tracelog.outcomes import Became
from tracelog.plant.actions import record_plant
from tracelog.plant.queries import the_plant


def look_ahead(
    engine: Engine,
    folder: Path,
    actor: Actor,
    now: datetime,
    progress: Callable[[str, int], None],
) -> dict[str, KnownPieces]:
    """Pieces of each file all rows of which are in the database already.

    Nothing is written, and nobody waits for it. Whatever is wrong is left to the import.

    Args:
        engine, folder, actor, now: as for the import.
        progress: told the file and how many more bytes of it were found to be known.
    """
    with looking(engine) as session, no_search_for_cycles():
        importing = Importing(session, folder, actor, now, progress=progress)
        if not _has_this_plant(importing):
            return {}
        return dict(_known(importing))


def _has_this_plant(importing: Importing) -> bool:
    """Whether the plant is there, and the same as in the folder: rows are read by its clock."""
    try:
        importing.zone = the_plant(importing.session).zone
        importing.has_plant = True
        if not (importing.folder / PLANT_FILE).is_file():
            return True
        read = read_plant_file(importing.folder / PLANT_FILE)
        if read.fact is None or read.faults:
            return False
        told = record_plant(importing.session, [read.fact], importing.actor, importing.now)
        return told[0].became is Became.UNCHANGED
    except (NoPlant, OSError, DBAPIError):
        return False


def _known(importing: Importing) -> Iterator[tuple[str, KnownPieces]]:
    for file in FILES:
        path = importing.folder / file.name
        try:
            if path.is_file():
                yield file.name, _known_pieces(importing, file, path)
        except OSError:
            continue


def _known_pieces(importing: Importing, file: PlantFile, path: Path) -> KnownPieces:
    stamp = stamp_of(path)
    with CsvFile(path) as rows:
        if rows.header_faults((*file.columns, *file.unusual_columns), file.needed_columns):
            return KnownPieces(stamp, ())
        return KnownPieces(stamp, import_of(importing, file, rows).unchanged_pieces())
