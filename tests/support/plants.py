"""The small simulated plant that many tests look at: two lines, a month, always the same."""

from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Engine

from seed_demo.folder import write_folder
from seed_demo.simulate import simulate
from seed_demo.sizes import SIZES
from tests.support import testrun
from tracelog.audit import Actor
from tracelog.db import writing
from tracelog.intake.folder_import import import_folder
from tracelog.intake.importing import Importing

SEED = 1
# Just after everything that the small plant's history tells, in its last shift.
ENDS_AT = datetime(2026, 7, 1, 3, 5, tzinfo=UTC)


def small_plant_folder() -> Path:
    """The small plant as a plant folder, written once in each run; not to be changed."""

    def write() -> str:
        folder = testrun.folder() / "small-plant"
        write_folder(simulate(SIZES["small"], SEED), folder)
        return str(folder)

    return Path(testrun.once("small-plant", write))


def import_plant(engine: Engine, folder: Path) -> None:
    """Import a plant folder in which nothing is wrong."""
    with writing(engine) as session:
        actor = Actor("tests", "administrator", "import")
        report = import_folder(Importing(session, folder, actor, ENDS_AT))
        assert not report.faults, "\n".join(report.sentences())
