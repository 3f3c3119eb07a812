"""`make bench`: what pages, imports, collecting, planning, signals, web servers and touches cost.

All but collecting, planning, signals, explaining, repeats, holding and tracing look at a year of 32
machines. `weights` tells what pages weigh on their way and how long a browser takes to load them.
Pages are called in process, so their figures are the server's own, without network and browser.
Compare the ratios of one run, and runs on one machine.
"""

import tempfile
from collections.abc import Callable
from pathlib import Path

import click
from sqlalchemy import Engine

from seed_demo.sizes import SIZES
from tests.bench.collecting import print_collecting
from tests.bench.comparing import print_comparing
from tests.bench.demo_year import at_its_end, new_database, write_plant
from tests.bench.entries import print_entries
from tests.bench.explaining import print_explaining
from tests.bench.faults import print_faults
from tests.bench.fuzzing import MINUTES, NAMES, print_fuzzing
from tests.bench.growth import print_growth
from tests.bench.holding import print_holding
from tests.bench.imports import print_imports
from tests.bench.load import print_load
from tests.bench.measure import print_costs
from tests.bench.memory import print_help, print_memory
from tests.bench.page_rates import print_page_rates
from tests.bench.pages import costs_of_pages
from tests.bench.planning import print_planning
from tests.bench.repeating import print_repeating
from tests.bench.servers import print_servers
from tests.bench.signalling import print_signalling
from tests.bench.touches import print_touches
from tests.bench.tracing import print_tracing
from tests.bench.tracing_scale import print_tracing_scale
from tests.bench.tracing_tables import Size
from tests.bench.weights import print_weights
from tracelog.db import make_engine

PARTS = (
    "imports",
    "pages",
    "servers",
    "collecting",
    "planning",
    "signals",
    "explaining",
    "repeats",
    "holding",
    "tracing",
    "trace-scale",
    "comparing",
    "touches",
    "weights",
    "load",
    "faults",
    "memory",
    "help",
    "entries",
    "pages-per-second",
    "growth",
)
# An hour, and nothing is timed: only where it is named.
FUZZ = "fuzz"
_WITHOUT_A_YEAR = {*PARTS} - {"imports", "pages", "servers", "touches", "weights", "memory"}
_WITHOUT_A_YEAR -= {"pages-per-second"}
ENGINES = ("sqlite", "postgresql")


@click.command()
@click.argument("parts", nargs=-1, type=click.Choice((*PARTS, FUZZ)))
@click.option("--size", default="demo", show_default=True, type=click.Choice(list(SIZES)))
@click.option("--repeats", default=7, show_default=True, help="Calls of each page.")
@click.option("--seeds", default=50, show_default=True, help="Plants to be explained of each kind.")
@click.option("--first-seed", default=0, show_default=True, help="Of the plants to be explained.")
@click.option("--part", default=20, show_default=True, help="Of the big plant.")
@click.option("--entries-times", default=1, show_default=True, help="More entries, of comparing.")
@click.option("--rates-only", is_flag=True, help="Comparing without pages.")
@click.option("--database", "databases", multiple=True, help="Kept ones, of the big plant.")
@click.option("--load-minutes", default=10.0, show_default=True, help="Of the usual mix.")
@click.option("--postgresql", is_flag=True, help="Load on a PostgreSQL server of its own.")
@click.option("--faults", "times", default=20, show_default=True, help="Times of each fault.")
@click.option("--messages", default=20_000, show_default=True, help="Readings to collect.")
@click.option("--seconds", default=5.0, show_default=True, help="Of each rate that is measured.")
@click.option("--rounds", default=3, show_default=True, help="Of each rate that is measured.")
@click.option(
    "--engine", "engines", multiple=True, type=click.Choice(ENGINES), help="Of entries and growth."
)
@click.option("--minutes", default=MINUTES, show_default=True, help="Of fuzzing, all targets.")
@click.option("--target", "targets", multiple=True, type=click.Choice(NAMES), help="To be fuzzed.")
def bench(
    parts: tuple[str, ...],
    size: str,
    repeats: int,
    seeds: int,
    first_seed: int,
    messages: int,
    load_minutes: float,
    postgresql: bool,
    times: int,
    part: int,
    entries_times: int,
    rates_only: bool,
    databases: tuple[str, ...],
    seconds: float,
    rounds: int,
    engines: tuple[str, ...],
    minutes: int,
    targets: tuple[str, ...],
) -> None:
    """Time what is done on a simulated plant; all PARTS but fuzz unless some are named.

    Example: python -m tests.bench pages --size small
    """
    wanted = parts or PARTS
    with tempfile.TemporaryDirectory(prefix="tracelog-bench-") as name:
        place = Path(name)
        own = {
            "collecting": lambda: print_collecting(place, messages),
            "load": lambda: print_load(place, size, load_minutes, on_postgresql=postgresql),
            "faults": lambda: print_faults(place, times, first_seed),
            "planning": print_planning,
            "signals": print_signalling,
            "repeats": print_repeating,
            "explaining": lambda: print_explaining(seeds, first_seed),
            "holding": print_holding,
            "help": print_help,
            "tracing": print_tracing,
            "trace-scale": lambda: print_tracing_scale(part, databases),
            "comparing": lambda: print_comparing(
                Size(part, entries_times), databases, rates_only=rates_only
            ),
            "entries": lambda: print_entries(place, size, seconds, rounds, engines or ENGINES),
            "growth": lambda: print_growth(engines or ENGINES),
            FUZZ: lambda: print_fuzzing(minutes, targets),
        }
        for name_of_part, print_part in own.items():
            if name_of_part in wanted:
                print_part()
        if not {*wanted} - _WITHOUT_A_YEAR - {FUZZ}:
            return
        if "imports" in wanted:
            rows = write_plant(size, place / "plant")
            engine = make_engine(f"sqlite:///{place / 'tracelog.db'}")
            print_imports(place / "plant", rows, engine)
        else:
            engine = new_database(size, place)
        after_a_year = {
            "pages": lambda: _print_pages(engine, place, repeats, size),
            "touches": lambda: _at_its_end(size, print_touches, engine, place),
            "weights": lambda: _at_its_end(size, print_weights, engine, place, size),
            "memory": lambda: print_memory(engine, place, size),
            "pages-per-second": lambda: print_page_rates(engine, place, seconds, rounds),
            "servers": lambda: print_servers(engine, place),
        }
        for name_of_part, print_part in after_a_year.items():
            if name_of_part in wanted:
                print_part()
        engine.dispose()


def _at_its_end(size: str, print_part: Callable[..., None], *given: object) -> None:
    with at_its_end(size):
        print_part(*given)


def _print_pages(engine: Engine, place: Path, repeats: int, size: str) -> None:
    with at_its_end(size):
        costs, baseline = costs_of_pages(engine, place, repeats)
    print_costs(f"Pages on the {size} plant, {engine.dialect.name}", costs, baseline)


if __name__ == "__main__":
    bench()
