"""`make bench`: what each page costs on the demo year.

Every page that links lead to is called as the administrator sees it, in process: the figures are
the server's own, without the network and the browser. Ratios between runs on one machine matter.
"""

import tempfile
from functools import partial
from pathlib import Path

import click

from tests.bench.demo_year import at_its_end, filled
from tests.bench.measure import cost_of, print_costs
from tests.support.crawl import look_at_everything
from tests.support.site import Cast, Visit, application_on


def body_of(visit: Visit, address: str) -> bytes:
    """What a page sends; an error page is no page."""
    answer = visit.get(address)
    if answer.status_code != 200:
        raise LookupError(f"{address} answers {answer.status}")
    return answer.data


@click.command()
@click.option("--size", default="demo", show_default=True, help="Size of the simulated plant.")
@click.option("--database", help="Address of a database; an SQLite file if not given.")
@click.option("--repeats", default=7, show_default=True)
def bench(size: str, database: str | None, repeats: int) -> None:
    """Time every page and count its statements on a simulated plant."""
    engine = filled(size, database)
    with at_its_end(size), tempfile.TemporaryDirectory() as folder:
        app = application_on(engine, Path(folder))
        visit, cast = Visit(app.test_client()), Cast(engine)
        cast.sign_in(visit, "administrator")
        addresses: dict[str, str] = {}
        for seen in look_at_everything(app, visit, each=1):
            if seen.endpoint and seen.answer.status_code == 200:
                addresses.setdefault(seen.endpoint, seen.address)

        costs = [
            cost_of(f"{endpoint}  {address}", partial(body_of, visit, address), engine, repeats)
            for endpoint, address in addresses.items()
        ]
    costs.sort(key=lambda cost: cost.median_ms, reverse=True)
    print_costs(f"{size} plant on {engine.dialect.name}", costs)


if __name__ == "__main__":
    bench()
