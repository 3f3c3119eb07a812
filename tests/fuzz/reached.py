"""Which lines of a target's own modules a folder of inputs reaches.

``python -m tests.fuzz.reached TARGET FOLDER…`` prints lines reached and lines there are, as JSON.
"""

import contextlib
import importlib
import inspect
import json
import pkgutil
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from types import CodeType, FrameType, ModuleType
from typing import Any

from tests.fuzz.limits import within
from tests.fuzz.targets import TARGETS, Target


def modules_of(target: Target) -> list[ModuleType]:
    """The modules whose lines count."""
    found = []
    for name in target.covers:
        module = importlib.import_module(name)
        found.append(module)
        inside = pkgutil.iter_modules(getattr(module, "__path__", ()))
        found += [importlib.import_module(f"{name}.{one.name}") for one in inside]
    return found


def lines_of(path: Path) -> set[int]:
    """Lines inside functions that can be reached, as the compiler numbers them."""
    whole = compile(path.read_text(encoding="utf-8"), str(path), "exec")
    lines: set[int] = set()
    waiting = [whole]
    while waiting:
        code = waiting.pop()
        waiting += [one for one in code.co_consts if isinstance(one, CodeType)]
        if code.co_flags & inspect.CO_NEWLOCALS:
            lines |= {line for _from, _to, line in code.co_lines() if line}
    return lines


def reached(target: Target, inputs: Iterable[bytes]) -> tuple[int, int]:
    """How many lines the inputs reach, and how many there are."""
    feed = target.try_one
    files = {str(module.__file__): Path(str(module.__file__)) for module in modules_of(target)}
    seen: dict[str, set[int]] = {name: set() for name in files}

    def enter(frame: FrameType, _event: str, _argument: Any) -> Callable[..., Any] | None:
        lines = seen.get(frame.f_code.co_filename)
        if lines is None:
            return None

        def step(frame: FrameType, event: str, _argument: Any) -> Callable[..., Any]:
            if event == "line":
                lines.add(frame.f_lineno)
            return step

        lines.add(frame.f_lineno)
        return step

    sys.settrace(enter)
    try:
        for data in inputs:
            with contextlib.suppress(BaseException), within(10 * target.most_seconds):
                feed(data)
    finally:
        sys.settrace(None)
    there = {name: lines_of(path) for name, path in files.items()}
    return (
        sum(len(there[name] & seen[name]) for name in files),
        sum(len(lines) for lines in there.values()),
    )


def main(name: str, *folders: str) -> int:
    """Print what the inputs of some folders and the seeds reach together."""
    target = TARGETS[name]
    found = [path.read_bytes() for folder in folders for path in sorted(Path(folder).iterdir())]
    print(json.dumps(reached(target, [*target.seeds, *found])))
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
