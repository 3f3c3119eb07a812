"""`make bench`: what pages, imports, collecting, planning, signals, web servers and touches cost.

All but collecting, planning, signals, explaining, repeats, holding and tracing look at a year of 32
machines. `weights` tells what pages weigh on their way and how long a browser takes to load them.
Pages are called in process, so their figures are the server's own, without network and browser.
Compare the ratios of one run, and runs on one machine.
"""

import tempfile
from pathlib import Path

import click

from seed_demo.sizes import SIZES
from tests.bench.collecting import print_collecting
from tests.bench.comparing import print_comparing
from tests.bench.demo_year import at_its_end, new_database, write_plant
from tests.bench.explaining import print_explaining
from tests.bench.faults import print_faults
from tests.bench.fuzzing import MINUTES, NAMES, print_fuzzing
from tests.bench.holding import print_holding
from tests.bench.imports import print_imports
from tests.bench.load import print_load
from tests.bench.measure import print_costs
from tests.bench.memory import print_help, print_memory
from tests.bench.pages import costs_of_pages
from tests.bench.planning import print_planning
from tests.bench.repeating import print_repeating
from tests.bench.servers import print_servers
from tests.bench.signalling import print_signalling
from tests.bench.touches import print_touches
from tests.bench.tracing import print_tracing
from tests.bench.tracing_scale import print_tracing_scale
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
)
# An hour, and nothing is timed: only where it is named.
FUZZ = "fuzz"
_WITHOUT_A_YEAR = {*PARTS} - {"imports", "pages", "servers", "touches", "weights", "memory"}


@click.command()
@click.argument("parts", nargs=-1, type=click.Choice((*PARTS, FUZZ)))
@click.option("--size", default="demo", show_default=True, type=click.Choice(list(SIZES)))
@click.option("--repeats", default=7, show_default=True, help="Calls of each page.")
@click.option("--seeds", default=50, show_default=True, help="Plants to be explained of each kind.")
@click.option("--first-seed", default=0, show_default=True, help="Of the plants to be explained.")
@click.option("--part", default=20, show_default=True, help="Of the big plant.")
@click.option("--database", "databases", multiple=True, help="Kept ones, of the big plant.")
@click.option("--load-minutes", default=10.0, show_default=True, help="Of the usual mix.")
@click.option("--postgresql", is_flag=True, help="Load on a PostgreSQL server of its own.")
@click.option("--faults", "times", default=20, show_default=True, help="Times of each fault.")
@click.option("--messages", default=20_000, show_default=True, help="Readings to collect.")
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
    databases: tuple[str, ...],
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
            "comparing": lambda: print_comparing(part, databases),
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
        if "pages" in wanted:
            with at_its_end(size):
                costs, baseline = costs_of_pages(engine, place, repeats)
            print_costs(f"Pages on the {size} plant, {engine.dialect.name}", costs, baseline)
        if "touches" in wanted:
            with at_its_end(size):
                print_touches(engine, place)
        if "weights" in wanted:
            with at_its_end(size):
                print_weights(engine, place, size)
        if "memory" in wanted:
            print_memory(engine, place, size)
        if "servers" in wanted:
            print_servers(engine, place)
        engine.dispose()


if __name__ == "__main__":
    bench()
