"""Fuzzing one target, guided by which lines of ours each input reaches (atheris, libFuzzer).

``python -m tests.fuzz.guided TARGET FOLDER SECONDS`` keeps inputs that reach something new in
`FOLDER/corpus` and what raised in `FOLDER/finds`, one for each place where it was raised; a find
does not end the run. Called by ``python -m tests.bench fuzz``.
"""

import contextlib
import hashlib
import sys
import traceback
from collections.abc import Iterator
from pathlib import Path
from types import FunctionType, TracebackType

import atheris

from tests.fuzz.limits import TookTooLong, within
from tests.fuzz.targets import SEEDS, TARGETS, Target

MOST_MEGABYTES = 2500
# Readers of others that ours lean on; what is reached in them is worth keeping, too.
_OF_OTHERS = ("icalendar", "recurring_ical_events", "tomllib", "zipfile", "openpyxl.reader")


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


def functions_of(names: tuple[str, ...]) -> Iterator[FunctionType]:
    """The functions of modules and packages, of what is loaded; methods, too.

    Only these guide: to make everything count that is loaded takes minutes, and leads astray.
    """
    for name, module in list(sys.modules.items()):
        if any(name == one or name.startswith(f"{one}.") for one in names):
            inside = list(vars(module).values())
            for one in inside:
                if isinstance(one, type) and one.__module__ == name:
                    inside += vars(one).values()
            found = {_plain(one) for one in inside if _plain(one) is not None}
            yield from (one for one in found if one is not None and one.__module__ == name)


def _plain(thing: object) -> FunctionType | None:
    """The function behind a method, a property or a cache."""
    for name in ("__func__", "fget", "__wrapped__", "func"):
        thing = getattr(thing, name, thing)
    return thing if isinstance(thing, FunctionType) else None


def _steps(trace: TracebackType | None) -> list[traceback.FrameSummary]:
    return list(traceback.extract_tb(trace))


def fuzz(target: Target, folder: Path, seconds: int) -> None:
    """Feed a target for so long; does not return."""
    corpus = folder / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    finds = Finds(folder / "finds")
    feed = target.try_one
    # What is imported only when it is needed is there after the first inputs.
    for seed in target.seeds:
        with contextlib.suppress(Exception):
            feed(seed)
    for function in functions_of((*target.covers, *_OF_OTHERS)):
        atheris.instrument_func(function)

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
        "-timeout=600",
        # Seeds are as long as inputs need be; to begin with short ones takes too long here.
        "-len_control=0",
        "-print_final_stats=1",
        "-verbosity=1",
    ]
    atheris.Setup(options, one)
    atheris.Fuzz()


if __name__ == "__main__":
    fuzz(TARGETS[sys.argv[1]], Path(sys.argv[2]), int(sys.argv[3]))
