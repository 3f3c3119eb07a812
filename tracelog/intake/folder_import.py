"""Importing a plant folder: all files in dependency order, as one transaction."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine

from tracelog.audit import Actor
from tracelog.db import writing
from tracelog.defects.actions import seed_vocabulary
from tracelog.errors import Fault, TracelogError
from tracelog.intake.csv_rows import CsvFile
from tracelog.intake.derived import Standing, derive_again
from tracelog.intake.files import FILES, FILES_BY_NAME, PLANT_FILE, PlantFile
from tracelog.intake.importing import Importing, no_progress, no_search_for_cycles
from tracelog.intake.looking_ahead import look_ahead
from tracelog.intake.plant_file import PlantFileRead, read_plant_file
from tracelog.intake.reading_import import import_of
from tracelog.intake.rejected import SUFFIX, RejectedRows
from tracelog.intake.report import FileReport, ImportReport, LocatedFault
from tracelog.language import _
from tracelog.outcomes import Became
from tracelog.plant.actions import record_plant
from tracelog.plant.queries import the_plant

_VOCABULARY_FILE = "defect_types.csv"


@dataclass(frozen=True)
class Imported:
    """What became of an import: whether its rows are kept, and where the rejected ones are."""

    report: ImportReport
    is_kept: bool
    rejected: tuple[Path, ...] = ()


def import_whole(
    engine: Engine,
    folder: Path,
    actor: Actor,
    now: datetime,
    *,
    keep_good: bool = False,
    dry_run: bool = False,
    progress: Callable[[str, int], None] = no_progress,
) -> Imported:
    """Import a plant folder: either every row is in, or none is.

    While rows are written, nobody else can write. So the folder is looked through before, and
    what is there already is only counted then.

    Args:
        engine: of the database.
        folder: the plant folder.
        actor: who imports.
        now: UTC.
        keep_good: keep the good rows, and write the others beside the input as
            NAME.rejected.csv with the reason.
        dry_run: only look; write nothing.
        progress: told the file and how many more bytes of it were read.

    Raises:
        TracelogError: as `import_folder`.
    """
    all_rejected: list[RejectedRows] = []
    known = look_ahead(engine, folder, actor, now, progress)
    try:
        with writing(engine) as session:
            importing = Importing(
                *(session, folder, actor, now),
                wants_rejected=keep_good and not dry_run,
                progress=progress,
                rejected=all_rejected,
                known=known,
            )
            report = import_folder(importing)
            keeps = not dry_run and not report.stopped and (keep_good or not report.faults)
            if keeps:
                for rejected in all_rejected:
                    rejected.finish()
            else:
                session.rollback()
        # The good rows are in; only now do the others appear under their names.
        paths = [rejected.keep() for rejected in all_rejected if keeps]
    finally:
        for rejected in all_rejected:
            rejected.discard()
    return Imported(report, keeps, tuple(path for path in paths if path is not None))


def import_folder(importing: Importing) -> ImportReport:
    """Import every file of a plant folder; refused rows are left out and reported.

    Nothing is committed: whether the good rows are kept without the refused ones is up to the
    caller.

    Raises:
        NoPlant: there is neither a plant in the database nor a plant.toml.
        TracelogError: the folder cannot be read or holds no file of a plant folder.
    """
    there = _look_into_folder(importing)
    with no_search_for_cycles():
        _import_files(importing, there)
    return importing.report


def _import_files(importing: Importing, there: set[str]) -> None:
    before = Standing.of(importing.session)
    _import_plant(importing, PLANT_FILE in there)
    for file in FILES:
        if file.name in there:
            _import_file(importing, file)
        elif file.name == _VOCABULARY_FILE and importing.has_plant:
            seeded = seed_vocabulary(importing.session, importing.actor, importing.now)
            importing.report.seeded_defect_types = len(seeded)
    if importing.has_plant:
        derive_again(importing.session, before, importing.now)


def _look_into_folder(importing: Importing) -> set[str]:
    """Names of the files that are read; those that do not belong here are told."""
    known = [PLANT_FILE, *FILES_BY_NAME]
    try:
        names = sorted(path.name for path in importing.folder.iterdir() if _can_be_read(path))
    except OSError as problem:
        raise TracelogError(
            _("%(folder)s: %(why)s", folder=importing.folder, why=problem.strerror)
        ) from problem
    for name in names:
        if name not in known and name.lower().endswith((".csv", ".toml")):
            if name.endswith(SUFFIX):
                continue
            sentence = _(
                "is not a file of a plant folder; files are %(known)s", known=", ".join(known)
            )
            _stop(importing, name, Fault("", sentence))
    there = {name for name in names if name in known}
    if not there and not importing.report.stopped:
        raise TracelogError(
            _(
                "%(folder)s holds no file of a plant folder; files are %(known)s",
                folder=importing.folder,
                known=", ".join(known),
            )
        )
    return there


def _can_be_read(path: Path) -> bool:
    # A pipe or a device would never come to an end.
    return path.is_file() or not path.exists()


def _stop(importing: Importing, file: str, fault: Fault, line: int = 0) -> None:
    importing.report.tell(file, line, [fault])
    importing.report.stopped = True
    importing.unreadable.add(file)


def _import_plant(importing: Importing, is_there: bool) -> None:
    """Record plant.toml; without it, or if it is refused, the rest depends on what there was."""
    if is_there and not _record_plant(importing):
        # Rows of another plant must not get in; what they say can still be checked.
        importing.report.stopped = True
        importing.unreadable.add(PLANT_FILE)
        return
    importing.zone = the_plant(importing.session).zone
    importing.has_plant = True


def _record_plant(importing: Importing) -> bool:
    """Whether plant.toml could be taken."""
    report = FileReport(PLANT_FILE)
    importing.report.files.append(report)
    try:
        read = read_plant_file(importing.folder / PLANT_FILE)
    except OSError as problem:
        fault = LocatedFault(PLANT_FILE, 0, "", _cannot_be_read(problem))
        read = PlantFileRead(None, None, [fault])
    importing.report.faults += read.faults
    became = Became.REFUSED
    if read.fact is not None:
        outcome = record_plant(importing.session, [read.fact], importing.actor, importing.now)[0]
        importing.report.faults += read.located(PLANT_FILE, outcome.faults)
        became = outcome.became
    report.became[became] += 1
    importing.zone = read.zone or importing.zone
    return became is not Became.REFUSED


def _import_file(importing: Importing, file: PlantFile) -> None:
    try:
        with CsvFile(importing.folder / file.name) as rows:
            faults = rows.header_faults((*file.columns, *file.unusual_columns), file.needed_columns)
            for fault in faults:
                _stop(importing, file.name, fault, line=1)
            if not faults:
                import_of(importing, file, rows).import_all()
    except OSError as problem:
        _stop(importing, file.name, Fault("", _cannot_be_read(problem)))


def _cannot_be_read(problem: OSError) -> str:
    return _("cannot be read: %(why)s", why=problem.strerror)
