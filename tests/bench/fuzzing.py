"""Fuzzing: every reader of what comes from outside, fed for minutes; docs/fuzzing.md."""

import json
import os
import re
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.fuzz.targets import TARGETS
from tracelog.terminal import print_table

KEPT = Path("build") / "fuzz"
_STATISTIC = re.compile(r"stat::(\w+):\s+(\d+)")


@dataclass(frozen=True)
class Fuzzed:
    """What a run of one target came to; `lines`: reached, and all of its own modules."""

    name: str
    seconds: int
    inputs: int
    corpus: int
    lines: tuple[int, int]
    finds: int
    ended: int


def print_fuzzing(minutes: float, names: Sequence[str]) -> None:
    """Fuzz each target for its share of `minutes`, one after the other, and tell what was found.

    Inputs that reach something new, and finds, stay in build/fuzz, from where the next run goes on.
    """
    chosen = list(names or TARGETS)
    seconds = max(5, round(60 * minutes / len(chosen)))
    done = []
    for name in chosen:
        done.append(_fuzz(name, seconds))
        _print(done)


def _print(done: Sequence[Fuzzed]) -> None:
    rows = [
        [
            *(one.name, one.seconds, f"{one.inputs:,}", one.corpus),
            f"{one.lines[0]} of {one.lines[1]}",
            *(one.finds, "" if one.ended == 0 else f"ended with {one.ended}"),
        ]
        for one in done
    ]
    print_table(
        f"Fuzzed; what is kept is in {KEPT}",
        ["target", "seconds", "inputs", "kept", "lines reached", "finds", ""],
        rows,
    )


def _fuzz(name: str, seconds: int) -> Fuzzed:
    folder = KEPT / name
    folder.mkdir(parents=True, exist_ok=True)
    environment = {**os.environ, "PYTHONPATH": str(Path.cwd())}
    command = [sys.executable, "-W", "ignore", "-m", "tests.fuzz.guided", name, str(folder)]
    with (folder / "log.txt").open("w", encoding="utf-8") as log:
        # Twice the time and a minute: starting takes some, and the last input may.
        ended = subprocess.run(
            [*command, str(seconds)],
            stdout=log,
            stderr=subprocess.STDOUT,
            env=environment,
            timeout=2 * seconds + 60,
            check=False,
        ).returncode
    told = dict(_STATISTIC.findall((folder / "log.txt").read_text("utf-8", "replace")))
    corpus = folder / "corpus"
    asked = [sys.executable, "-W", "ignore", "-m", "tests.fuzz.reached", name, str(corpus)]
    lines = json.loads(subprocess.run(asked, capture_output=True, check=True).stdout)
    return Fuzzed(
        name,
        seconds,
        int(told.get("number_of_executed_units", 0)),
        sum(1 for _path in corpus.iterdir()),
        (lines[0], lines[1]),
        sum(1 for _path in (folder / "finds").glob("*.txt")),
        ended,
    )
