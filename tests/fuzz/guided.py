"""Fuzzing one target, guided by which lines of ours each input reaches (atheris, libFuzzer).

``python -m tests.fuzz.guided TARGET FOLDER SECONDS`` keeps inputs that reach something new in
`FOLDER/corpus` and what raised in `FOLDER/finds`, one for each place where it was raised; a find
does not end the run. Called by ``python -m tests.bench fuzz``.
"""

import hashlib
import sys
import traceback
from pathlib import Path
from types import TracebackType

import atheris

from tests.fuzz.limits import TookTooLong, within
from tests.fuzz.targets import SEEDS, TARGETS, Target

MOST_MEGABYTES = 2500
# Readers of others that ours lean on; what is reached in them is worth keeping, too. Not all of
# what is loaded: to make all of it count takes minutes.
_OF_OTHERS = ["icalendar", "recurring_ical_events", "tomllib", "zipfile", "openpyxl.reader"]


class Finds:
    """Keeps what raised, the shortest input for each place."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)

    def keep(self, data: bytes, problem: BaseException) -> None:
        """Keep an input beside the error it led to."""
        # The last step in each file tells one find from another, whatever was read.
        steps = [f"{s.filename}:{s.lineno}" for s in _steps(problem.__traceback__)]
        told = repr((type(problem).__name__, steps[-3:]))
        name = hashlib.sha256(told.encode()).hexdigest()[:12]
        path = self._folder / f"{name}.input"
        if path.exists() and path.stat().st_size <= len(data):
            return
        path.write_bytes(data)
        text = "".join(traceback.format_exception(problem))
        path.with_suffix(".txt").write_text(text, encoding="utf-8", errors="backslashreplace")


def _steps(trace: TracebackType | None) -> list[traceback.FrameSummary]:
    return list(traceback.extract_tb(trace))


def fuzz(target: Target, folder: Path, seconds: int) -> None:
    """Feed a target for so long; does not return."""
    corpus = folder / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    finds = Finds(folder / "finds")
    with atheris.instrument_imports(include=[*target.covers, *_OF_OTHERS]):
        feed = target.try_one

    def one(data: bytes) -> None:
        try:
            with within(target.most_seconds):
                feed(data)
        except KeyboardInterrupt:
            raise
        except (Exception, TookTooLong) as problem:
            finds.keep(data, problem)

    options = [
        sys.argv[0],
        str(corpus),
        str(SEEDS / target.name),
        f"-max_total_time={seconds}",
        f"-max_len={target.most_bytes}",
        f"-rss_limit_mb={MOST_MEGABYTES}",
        f"-artifact_prefix={folder / 'finds'}/",
        "-timeout=0",
        "-print_final_stats=1",
        "-verbosity=1",
    ]
    atheris.Setup(options, one)
    atheris.Fuzz()


if __name__ == "__main__":
    fuzz(TARGETS[sys.argv[1]], Path(sys.argv[2]), int(sys.argv[3]))
