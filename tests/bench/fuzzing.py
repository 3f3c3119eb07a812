"""Fuzzing: every reader of what comes from outside, fed for minutes, and the API called at random.

What was found, and how long it ran: docs/fuzzing.md.
"""

import json
import os
import re
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import click

from tests.bench.measure import print_table
from tests.fuzz.targets import TARGETS

KEPT = Path("build") / "fuzz"
API = "api"
NAMES = (*TARGETS, API)
MINUTES = 60
_STATISTIC = re.compile(r"stat::(\w+):\s+(\d+)")


@dataclass(frozen=True)
class Fuzzed:
    """What a run of one target came to.

    Attributes:
        name: of the target.
        seconds: for which it ran.
        inputs: that it was fed, or calls that were made.
        corpus: inputs that each reached something new.
        lines: reached, of all lines of its own modules; blank for the API.
        finds: different errors.
        ended: exit status; not 0 where the run broke off.
    """

    name: str
    seconds: int
    inputs: int
    corpus: int
    lines: str
    finds: int
    ended: int


def print_fuzzing(minutes: float, names: Sequence[str]) -> None:
    """Fuzz each target for its share of `minutes`, one after the other, and tell what was found.

    Inputs that reach something new, and finds, stay in build/fuzz, from where the next run goes on.

    Args:
        minutes: for all of them together.
        names: of targets; none: all.
    """
    chosen = list(names or NAMES)
    if find_spec("atheris") is None and chosen != [API]:
        raise click.UsageError(
            "The fuzzer (atheris) is not installed; it runs on Linux on x86-64 with Python 3.11 to"
            " 3.13. The API can be called without it: --target api."
        )
    seconds = max(5, round(60 * minutes / len(chosen)))
    done = []
    for name in chosen:
        click.echo(f"{name}, {seconds} s ...", err=True)
        done.append(_called(seconds) if name == API else _fuzzed(name, seconds))
    rows = [
        [
            *(one.name, str(one.seconds), f"{one.inputs:,}", str(one.corpus or "")),
            *(one.lines, str(one.finds)),
            "" if one.ended == 0 else f"broke off with {one.ended}",
        ]
        for one in done
    ]
    print_table(
        f"Fuzzed; inputs and finds are in {KEPT}",
        ["target", "seconds", "inputs", "kept", "lines reached", "finds", ""],
        rows,
    )


def _run(module: str, arguments: Sequence[str], folder: Path, seconds: int) -> tuple[int, str]:
    """Run a module by itself for about so long: its exit status, and what it said."""
    folder.mkdir(parents=True, exist_ok=True)
    log = folder / "log.txt"
    command = [sys.executable, "-W", "ignore", "-m", module, *arguments, str(seconds)]
    with log.open("w", encoding="utf-8") as file:
        # Twice the time and two minutes: starting takes some, and the last input may.
        done = subprocess.run(
            command,
            stdout=file,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONPATH": str(Path.cwd())},
            timeout=2 * seconds + 120,
            check=False,
        )
    return done.returncode, log.read_text("utf-8", "replace")


def _finds(folder: Path) -> int:
    return sum(1 for _path in (folder / "finds").glob("*.txt"))


def _fuzzed(name: str, seconds: int) -> Fuzzed:
    folder = KEPT / name
    ended, log = _run("tests.fuzz.guided", [name, str(folder)], folder, seconds)
    told = dict(_STATISTIC.findall(log))
    corpus = folder / "corpus"
    asked = [sys.executable, "-W", "ignore", "-m", "tests.fuzz.reached", name, str(corpus)]
    reached, there = json.loads(subprocess.run(asked, capture_output=True, check=True).stdout)
    return Fuzzed(
        name,
        seconds,
        int(told.get("number_of_executed_units", 0)),
        sum(1 for _path in corpus.iterdir()),
        f"{reached} of {there}",
        _finds(folder),
        ended,
    )


def _called(seconds: int) -> Fuzzed:
    folder = KEPT / API
    ended, log = _run("tests.fuzz.api_run", [str(folder)], folder, seconds)
    calls = json.loads(log.splitlines()[-1])["calls"] if ended == 0 else 0
    return Fuzzed(API, seconds, calls, 0, "", _finds(folder), ended)
