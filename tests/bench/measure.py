"""Times what a page costs the server, and counts the statements it sends."""

import statistics
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from rich import box
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


@dataclass
class Taken:
    """Seconds that a block took; 0 until it ends."""

    seconds: float = 0.0


@contextmanager
def timed() -> Iterator[Taken]:
    """Measure a block: ``with timed() as taken: ...``, then ``taken.seconds``."""
    taken, started = Taken(), time.perf_counter()
    yield taken
    taken.seconds = time.perf_counter() - started


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
        with timed() as first:
            call()
        statements.clear()
        times, body = [], b""
        for _ in range(repeats):
            with timed() as taken:
                body = call()
            times.append(taken.seconds * 1000)
        median_ms = statistics.median(times)
        return Cost(name, first.seconds * 1000, median_ms, len(statements) // repeats, len(body))
    finally:
        statements.close()


def print_table(title: str, headings: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print a Markdown table; all but the first column are numbers."""
    table = Table(headings[0], box=box.MARKDOWN)
    for heading in headings[1:]:
        table.add_column(heading, justify="right")
    for row in rows:
        table.add_row(*row)
    console = Console(width=120)
    console.print(f"\n## {title}\n", markup=False, highlight=False)
    console.print(table)


def print_costs(title: str, costs: Iterable[Cost], baseline: Cost) -> None:
    """Print one line for each page, with its time as a multiple of the baseline's."""
    print_table(
        title,
        ("page", "first ms", "median ms", f"x {baseline.name}", "statements", "kB"),
        (
            (
                cost.name,
                f"{cost.first_ms:.0f}",
                f"{cost.median_ms:.1f}",
                f"{cost.median_ms / baseline.median_ms:.1f}",
                str(cost.statements),
                f"{cost.bytes_sent / 1000:.1f}",
            )
            for cost in costs
        ),
    )
