"""Times what a page costs the server, and counts the statements it sends."""

import statistics
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from rich.console import Console
from rich.table import Table
from sqlalchemy import Engine

from tests.support.statements import Statements


@dataclass(frozen=True)
class Cost:
    """What one page costs: the first call, the median of the later ones, and its statements."""

    name: str
    first_ms: float
    median_ms: float
    statements: int
    bytes_sent: int


def cost_of(name: str, call: Callable[[], bytes], engine: Engine, repeats: int = 7) -> Cost:
    """Call a page again and again.

    Args:
        name: as shown in the table.
        call: asks for the page and returns its body; raises if the page does not answer well.
        engine: where the page's statements go.
        repeats: calls after the first, which also fills what is kept between requests.
    """
    statements = Statements(engine)
    try:
        first_ms, _ = _milliseconds(call)
        statements.clear()
        times, body = [], b""
        for _ in range(repeats):
            elapsed_ms, body = _milliseconds(call)
            times.append(elapsed_ms)
        return Cost(name, first_ms, statistics.median(times), len(statements) // repeats, len(body))
    finally:
        statements.close()


def _milliseconds(call: Callable[[], bytes]) -> tuple[float, bytes]:
    started = time.perf_counter()
    body = call()
    return (time.perf_counter() - started) * 1000, body


def print_costs(title: str, costs: Iterable[Cost]) -> None:
    """Print one line for each page."""
    table = Table("page", title=title, title_justify="left")
    for heading in ("first ms", "median ms", "statements", "kB"):
        table.add_column(heading, justify="right")
    for cost in costs:
        table.add_row(
            cost.name,
            f"{cost.first_ms:.0f}",
            f"{cost.median_ms:.1f}",
            str(cost.statements),
            f"{cost.bytes_sent / 1000:.1f}",
        )
    Console().print(table)
