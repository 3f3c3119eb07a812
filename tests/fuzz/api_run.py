"""The whole API, called at random for a while: each operation both ways, and chains of calls.

``python -m tests.fuzz.api_run FOLDER SECONDS`` keeps what fails in `FOLDER/finds`, and prints how
many calls were made as JSON. Called by ``python -m tests.bench fuzz --target api``.
"""

import hashlib
import itertools
import json
import sys
import tempfile
import time
import traceback
from pathlib import Path
from typing import Any

from tests.api.facts import TAKEN
from tests.api.plant import site_on
from tests.fuzz.api_calls import (
    MODES,
    call_at_random,
    machine_of,
    quickly,
    read_by_others,
)
from tracelog.db import make_engine, upgrade
from tracelog.web.openapi import description

EXAMPLES, CHAINS, STEPS = 12, 10, 8


class Run:
    """Counts calls, and keeps what fails."""

    def __init__(self, finds: Path, seconds: float) -> None:
        finds.mkdir(parents=True, exist_ok=True)
        self._finds = finds
        self._ends = time.monotonic() + seconds
        self.calls = 0

    @property
    def is_over(self) -> bool:
        """Whether the time is up."""
        return time.monotonic() > self._ends

    def keep(self, problem: BaseException) -> None:
        """Keep one failure of each kind."""
        told = "\n".join(str(one) for one in getattr(problem, "exceptions", [problem]))
        name = hashlib.sha256(told[:300].encode("utf-8", "replace")).hexdigest()[:12]
        text = "".join(traceback.format_exception(problem))
        path = self._finds / f"{name}.txt"
        path.write_text(text, encoding="utf-8", errors="backslashreplace")

    def counted(self, application: Any) -> Any:
        """The application, each call of which counts."""

        def call(environment: Any, start: Any) -> Any:
            self.calls += 1
            return application(environment, start)

        return call


def call_for(run: Run, folder: Path) -> None:
    """Call until the time is up."""
    engine = make_engine(f"sqlite:///{folder / 'tracelog.db'}")
    upgrade(engine)
    with site_on(engine, folder) as site:
        program = site.program()
        for call in TAKEN:
            assert program.post(call.path, [call.good(n) for n in range(6)]).status_code == 201
        schema = read_by_others(site.app)
        site.app.wsgi_app = run.counted(site.app.wsgi_app)  # type: ignore[method-assign]
        paths = description(site.app)["paths"]
        operations = [schema[path][method.upper()] for path in paths for method in paths[path]]
        chains = machine_of(schema, site)
        for place, (operation, mode) in enumerate(
            itertools.cycle(itertools.product(operations, MODES))
        ):
            if run.is_over:
                break
            try:
                call_at_random(operation, program.headers, mode, EXAMPLES)
                if place % 10 == 0:
                    chains.run(settings=quickly(CHAINS, stateful_step_count=STEPS))
            except Exception as problem:
                run.keep(problem)
    engine.dispose()


def main(folder: str, seconds: str) -> int:
    """Run, and print what was done."""
    run = Run(Path(folder) / "finds", float(seconds))
    with tempfile.TemporaryDirectory(prefix="tracelog-fuzz-") as place:
        call_for(run, Path(place))
    print(json.dumps({"calls": run.calls}))
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
