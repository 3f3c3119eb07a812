"""Fixtures of the plant folder's tests."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sqlalchemy import Engine

from tests.intake.collecting import fill
from tests.support.broker import Broker, BrokerKind, mosquitto_program
from tests.support.databases import Databases, Kind, open_engine
from tracelog.cli import tracelog
from tracelog.intake import mqtt_collector


@pytest.fixture(scope="module")
def untouched(database_kind: Kind) -> Iterator[Engine]:
    """Engine of an empty database for tests that show that nothing is written."""
    databases = Databases(database_kind)
    engine = open_engine(databases.migrated())
    yield engine
    engine.dispose()
    databases.remove_all()


@pytest.fixture
def plant(own_engine: Engine, monkeypatch: pytest.MonkeyPatch) -> Engine:
    """A plant whose counters are collected; a collector that takes all once is soon done."""
    monkeypatch.setattr(mqtt_collector, "ONCE_QUIET_SECONDS", 0.3)
    fill(own_engine)
    return own_engine


class Run:
    """The commands of one database, called in this process."""

    def __init__(self, database_url: str, data_dir: Path) -> None:
        self.environment = {
            "TRACELOG_DATABASE_URL": database_url,
            "TRACELOG_DATA_DIR": str(data_dir),
            "COLUMNS": "200",
        }

    def __call__(self, *words: object, status: int = 0) -> Result:
        """Run it to its end, and fail unless it ends with `status`."""
        done = CliRunner(env=self.environment).invoke(tracelog, [str(word) for word in words])
        assert done.exit_code == status, f"{done.output}{done.exception!r}"
        return done


@pytest.fixture
def run(database_url: str, tmp_path: Path) -> Run:
    """``run("import", folder, status=1).stderr``, on the database of `own_engine`."""
    return Run(database_url, tmp_path / "data")


@pytest.fixture(params=["mosquitto", "amqtt"])
def every_broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Broker]:
    """A running broker: a test that uses this runs on each kind."""
    yield from _running(request.param, tmp_path)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A running broker of the kind that this machine has."""
    yield from _running("mosquitto" if mosquitto_program() else "amqtt", tmp_path)


@pytest.fixture
def lasting_broker(tmp_path: Path) -> Iterator[Broker]:
    """A running broker that speaks MQTT 5 and keeps its sessions over a restart."""
    yield from _running("mosquitto", tmp_path)


def _running(kind: BrokerKind, folder: Path) -> Iterator[Broker]:
    broker = Broker(kind, folder / "broker").start()
    yield broker
    broker.stop()
