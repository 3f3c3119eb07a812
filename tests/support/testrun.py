"""One run of the tests: a folder that all workers share, and what is made only once in it."""

import json
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import pytest

FOLDER_VARIABLE = "TRACELOG_TEST_RUN"
PATIENCE_SECONDS = 120.0


def folder() -> Path:
    """The folder of this run, made by the controlling process and inherited by its workers."""
    return Path(os.environ[FOLDER_VARIABLE])


def write_whole(path: Path, text: str) -> None:
    """Write `path` so that another process reads all of it or nothing."""
    half = path.with_name(f"{path.name}.{os.getpid()}.half")
    half.write_text(text, encoding="utf-8")
    half.replace(path)


def wait_for(path: Path) -> str:
    """The text of `path`, once another process has written it."""
    give_up_at = time.monotonic() + PATIENCE_SECONDS
    while not path.exists():
        if time.monotonic() > give_up_at:
            raise TimeoutError(f"{path.name} was not ready after {PATIENCE_SECONDS:.0f} s")
        time.sleep(0.02)
    return path.read_text(encoding="utf-8")


def once(name: str, make: Callable[[], str]) -> str:
    """What `make` returns, called by the first worker that asks; the others wait for it."""
    done = folder() / f"{name}.done"
    try:
        (folder() / f"{name}.claimed").touch(exist_ok=False)
    except FileExistsError:
        answer = json.loads(wait_for(done))
        if "problem" in answer:
            raise RuntimeError(f"{name}: {answer['problem']}") from None
        return str(answer["value"])
    try:
        value = make()
    except BaseException as problem:
        write_whole(done, json.dumps({"problem": repr(problem)}))
        raise
    write_whole(done, json.dumps({"value": value}))
    return value


def on_ci() -> bool:
    """Whether this run is the one that decides: nothing may be left out of it."""
    return os.environ.get("CI", "").lower() in {"1", "true", "yes"}


def absent(thing: str, why: str) -> NoReturn:
    """Leave out a test that needs `thing`; on CI that is a failure.

    The controlling process names what was left out in the last line of the run.
    """
    write_whole(folder() / f"{thing.replace(' ', '-')}.absent", f"{thing} ({why})")
    if on_ci():
        pytest.fail(f"CI needs {thing}: {why}", pytrace=False)
    pytest.skip(f"needs {thing}: {why}")


def absences() -> list[str]:
    """What this run had to do without."""
    return sorted(path.read_text(encoding="utf-8") for path in folder().glob("*.absent"))
