"""Fixtures for all tests. Databases are made by the migrations, on SQLite and on PostgreSQL."""

import os
import sys
import tempfile
import time
from collections.abc import Callable, Generator, Iterator
from datetime import UTC, datetime
from pathlib import Path
from subprocess import Popen
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings
from playwright.sync_api import Browser, Page
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tests.support import postgres, testrun
from tests.support.browser import Visitors, running_browser
from tests.support.clock import Clock
from tests.support.command import Command
from tests.support.databases import KINDS, Databases, Kind, open_engine, undone_session
from tests.support.statements import Statements

if TYPE_CHECKING:
    from flask import Flask

    from tests.support.site import Cast, Visit

KEEPER = pytest.StashKey[Popen[bytes]]()
FAILED = pytest.StashKey[bool]()

# No test measures time, so a slow machine is no failure.
settings.register_profile(
    "dev", max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("ci", settings.get_profile("dev"), max_examples=100, derandomize=True)
settings.register_profile("thorough", settings.get_profile("dev"), max_examples=2000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE") or ("ci" if testrun.on_ci() else "dev"))


def pytest_configure(config: pytest.Config) -> None:
    """Begin a run: its folder, its keeper, and an environment without the developer's own."""
    if hasattr(config, "workerinput"):
        return
    folder = Path(tempfile.mkdtemp(prefix="tracelog-"))
    for name in [name for name in os.environ if name.startswith("TRACELOG_")]:
        if name != postgres.URL_VARIABLE:
            del os.environ[name]
    os.environ[testrun.FOLDER_VARIABLE] = str(folder)
    os.environ["TRACELOG_DATA_DIR"] = str(folder / "data")
    # A zone in which nothing of ours lives, so that nothing leans on the machine's.
    os.environ["TZ"] = "Pacific/Chatham"
    config.stash[KEEPER] = postgres.start_keeper(folder)


def pytest_sessionstart(session: pytest.Session) -> None:
    """Take on the run's time zone, in the workers too."""
    if sys.platform != "win32":
        time.tzset()


def pytest_sessionfinish(session: pytest.Session) -> None:
    """On CI nothing may be skipped: what is not run there is not known to work."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if testrun.on_ci() and reporter is not None and reporter.stats.get("skipped"):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
        reporter.ensure_newline()
        reporter.write_line("Skipped tests are failures on CI.", red=True)


def pytest_unconfigure(config: pytest.Config) -> None:
    """End the run: name what it did without, and take its server away."""
    keeper = config.stash.get(KEEPER, None)
    if keeper is None:
        return
    missing = testrun.absences()
    postgres.stop_keeper(keeper)
    if missing:
        outcome = "failed" if testrun.on_ci() else "were skipped"
        print(f"Tests {outcome} because this machine lacks: {'; '.join(missing)}")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every test with what it needs, so that ``-m "not postgresql"`` works."""
    for item in items:
        parameters = getattr(getattr(item, "callspec", None), "params", {})
        if "database_kind" in parameters:
            item.add_marker(parameters["database_kind"])
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker("browser")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: "pytest.CallInfo[None]"
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Remember whether the test itself failed, for the fixtures that end after it."""
    report = yield
    if report.when == "call":
        item.stash[FAILED] = report.failed
    return report


@pytest.fixture(scope="session", params=KINDS)
def database_kind(request: pytest.FixtureRequest) -> Kind:
    """``sqlite``, then ``postgresql``: a test that uses this, directly or not, runs on both."""
    kind: Kind = request.param
    if kind == "postgresql":
        postgres.server_url()
    return kind


@pytest.fixture(scope="session")
def engine(database_kind: Kind) -> Iterator[Engine]:
    """Engine of a database with all tables, shared by the tests of a worker.

    Use it through `session`, which leaves no rows behind.
    """
    databases = Databases(database_kind)
    engine = open_engine(databases.migrated())
    yield engine
    engine.dispose()
    databases.remove_all()


@pytest.fixture
def session(engine: Engine) -> Iterator[Session]:
    """A session whose commits and rollbacks happen inside a transaction that is undone."""
    with undone_session(engine) as session:
        yield session


@pytest.fixture(scope="session")
def small_plant() -> Path:
    """The small simulated plant as a plant folder; copy it before you change it."""
    from tests.support.plants import small_plant_folder

    return small_plant_folder()


@pytest.fixture(scope="session")
def plant_engine(database_kind: Kind) -> Iterator[Engine]:
    """Engine of a database that holds the small plant, shared by the tests of a worker.

    Use it through `plant_session`, which leaves everything as it was.
    """
    databases = Databases(database_kind)
    engine = open_engine(databases.with_plant())
    yield engine
    engine.dispose()
    databases.remove_all()


@pytest.fixture
def plant_session(plant_engine: Engine) -> Iterator[Session]:
    """Like `session`, on the small plant."""
    with undone_session(plant_engine) as session:
        yield session


@pytest.fixture
def plant_statements(plant_engine: Engine) -> Iterator[Statements]:
    """Like `statements`, for `plant_session`."""
    recorder = Statements(plant_engine)
    yield recorder
    recorder.close()


@pytest.fixture
def statements(engine: Engine) -> Iterator[Statements]:
    """Counts what is sent to `engine`: ``with statements.counted() as sent: ...``."""
    recorder = Statements(engine)
    yield recorder
    recorder.close()


@pytest.fixture
def databases(database_kind: Kind) -> Iterator[Databases]:
    """Makes databases of the test's own: ``databases.migrated()``, ``databases.empty()``."""
    databases = Databases(database_kind)
    yield databases
    databases.remove_all()


@pytest.fixture
def database_url(databases: Databases, request: pytest.FixtureRequest) -> str:
    """Address of a database of the test's own, with all tables; for servers and commands.

    Marked ``@pytest.mark.small_plant`` it holds the small simulated plant, else no rows.
    """
    filled = request.node.get_closest_marker("small_plant") is not None
    return databases.with_plant() if filled else databases.migrated()


@pytest.fixture
def empty_database_url(databases: Databases) -> str:
    """Address of a database of the test's own, without tables."""
    return databases.empty()


@pytest.fixture
def own_engine(database_url: str) -> Iterator[Engine]:
    """Engine of a database of the test's own, for code that opens its own transactions."""
    engine = open_engine(database_url)
    yield engine
    engine.dispose()


@pytest.fixture
def command(database_url: str, tmp_path: Path) -> Command:
    """The tracelog command on `database_url`: ``command("import", folder, status=1).stderr``."""
    return Command(database_url, tmp_path)


@pytest.fixture
def clock(request: pytest.FixtureRequest, now: datetime, monkeypatch: pytest.MonkeyPatch) -> Clock:
    """The clock that the application reads: ``clock.forward(timedelta(hours=1))``.

    It stands at `now`; marked ``@pytest.mark.small_plant`` at the end of that plant's history.
    """
    from tests.support.plants import ENDS_AT

    clock = Clock(ENDS_AT if request.node.get_closest_marker("small_plant") else now)
    monkeypatch.setattr("tracelog.instants.now", clock.now)
    return clock


@pytest.fixture
def application(own_engine: Engine, clock: Clock, tmp_path: Path) -> "Flask":
    """The application on a database of the test's own (`own_engine`), at the time of `clock`.

    Marked ``@pytest.mark.small_plant`` it shows the small simulated plant, else none.
    """
    from tests.support.site import application_on

    return application_on(own_engine, tmp_path)


@pytest.fixture
def visit(application: "Flask") -> "Visit":
    """A visitor without a browser: ``visit.get(path)``, ``visit.post(path, **fields)``."""
    from tests.support.site import Visit

    return Visit(application.test_client())


@pytest.fixture
def cast(own_engine: Engine, monkeypatch: pytest.MonkeyPatch) -> "Cast":
    """One person of each role: ``cast.sign_in(visit, "planner")``, ``cast.sign_in_on(page, ...)``.

    Their secrets are hashed quickly, since many tests sign somebody in.
    """
    from argon2 import PasswordHasher

    from tests.support.site import Cast

    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr("tracelog.people.secrets._hasher", quick)
    return Cast(own_engine)


@pytest.fixture
def site_url(application: "Flask") -> Iterator[str]:
    """Address of the application, served on this machine for a browser or an API client.

    Runs on both engines; a story that need not says
    ``@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)``.
    """
    from tests.support.site import served

    with served(application) as url:
        yield url


@pytest.fixture
def now() -> datetime:
    """The instant at which tests happen: a Wednesday morning, UTC."""
    return datetime(2026, 3, 4, 9, 30, tzinfo=UTC)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """A running Chromium or Chrome, one per worker."""
    with running_browser() as browser:
        yield browser


@pytest.fixture
def visitors(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Visitors]:
    """Opens pages for several people: ``visitors.open(width=360, base_url=...)``.

    The test fails if a page had a script error or asked another machine for anything; if the
    test failed, pictures of what was on the screens are in test-results/.
    """
    visitors = Visitors(browser)
    yield visitors
    failed = request.node.stash.get(FAILED, True)
    visitors.close(picture=request.node.name if failed else None)
    assert not visitors.complaints, "\n".join(visitors.complaints)


@pytest.fixture
def page(visitors: Visitors) -> Page:
    """A page of one visitor, 1280 by 800 CSS pixels, anywhere on this machine."""
    return visitors.open()


@pytest.fixture
def site_page(visitors: Visitors, site_url: str) -> Page:
    """A page of one visitor of the served application: ``site_page.goto("/log")``."""
    return visitors.open(base_url=site_url)


@pytest.fixture
def open_database() -> Iterator[Callable[[str], Engine]]:
    """Opens further databases by address and closes them after the test."""
    opened: list[Engine] = []

    def open_and_remember(url: str) -> Engine:
        opened.append(open_engine(url))
        return opened[-1]

    yield open_and_remember
    for engine in opened:
        engine.dispose()
