"""Reads from a real streaming replica: fresh, behind, away; who wrote sees what they wrote."""

import logging
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
from flask import Blueprint, Flask, jsonify
from flask.wrappers import Response
from sqlalchemy import Engine, func, select

from tests.support.clusters import Cluster, cluster, eventually
from tests.support.site import CAST, Cast, Visit
from tracelog import audit, replica
from tracelog.audit import Actor, AuditRecord, Subject
from tracelog.config import Settings
from tracelog.db import make_engine, writing
from tracelog.errors import TracelogError
from tracelog.people import actions, queries, session_actions
from tracelog.web.application import create_application
from tracelog.web.request import current_actor, current_session, is_by_replica, now, permit

WROTE_AT = datetime(2026, 3, 2, 8, tzinfo=UTC)


@dataclass
class House:
    """A primary, its copy, and the application on both."""

    primary: Cluster
    copy: Cluster
    engine: Engine
    app: Flask

    def look_again(self) -> None:
        """Let the next request look at the copy anew."""
        app_replica(self.app)._look_at = 0.0

    def catch_up(self) -> None:
        """Wait until the copy has replayed everything."""
        position = self.primary.say("SELECT pg_current_wal_insert_lsn()")
        asked = f"SELECT pg_last_wal_replay_lsn() >= '{position}'"
        eventually(lambda: self.copy.say(asked), "the copy has everything")
        self.look_again()


def app_replica(app: Flask) -> replica.Replica:
    found = app.extensions["tracelog"].replica
    assert isinstance(found, replica.Replica)
    return found


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    with cluster() as primary:
        url = primary.with_tables("plant")
        copy = primary.copy()
        engine = make_engine(url)
        settings = Settings(
            database_url=url,
            secret_key="a key that opens nothing but tests",
            data_dir=tmp_path_factory.mktemp("data"),
            replica_url=copy.url("plant"),
            replica_lag="2",
        )
        app = create_application(settings, engine=engine)
        app.testing = True
        app.register_blueprint(_trial_pages())
        yield House(primary, copy, engine, app)
        engine.dispose()
        app_replica(app)._engine.dispose()


def _trial_pages() -> Blueprint:
    pages = Blueprint("trial", __name__)

    def writes() -> int:
        found = select(func.count()).select_from(AuditRecord).where(AuditRecord.action == "try")
        return current_session().scalar(found) or 0

    @pages.get("/trial")
    @permit("see")
    def look() -> Response:
        return jsonify(writes=writes(), by_replica=is_by_replica())

    @pages.get("/api/v1/trial")
    @permit("see")
    def look_by_program() -> Response:
        return look()

    @pages.post("/api/v1/trial")
    @permit("see")
    def write_by_program() -> str:
        audit.append(current_session(), current_actor(), now(), "try", Subject("trial", "one"))
        return "done"

    @pages.post("/trial")
    @permit("see")
    def write() -> str:
        return write_by_program()

    return pages


@pytest.fixture
def visit(house: House) -> Visit:
    visit = Visit(house.app.test_client())
    Cast(house.engine).sign_in(visit, "supervisor")
    visit.get("/notices")
    visit.client.delete_cookie("tracelog_wrote")
    house.catch_up()
    return visit


def looked(visit: Visit) -> tuple[int, bool]:
    answer = visit.get("/trial").get_json()
    return answer["writes"], answer["by_replica"]


def test_pages_are_read_from_the_copy(house: House, visit: Visit) -> None:
    assert looked(visit)[1]
    ready = visit.get("/api/v1/health/ready").get_json()
    assert ready["replica"] == {"state": "in use", "lag_seconds": 0.0}
    administrator = Visit(house.app.test_client())
    Cast(house.engine).sign_in(administrator, "administrator")
    assert "● read from" in administrator.get("/health").text


def test_who_wrote_reads_their_own_write_and_others_a_moment_later(
    house: House, visit: Visit
) -> None:
    other = Visit(house.app.test_client())
    Cast(house.engine).sign_in(other, "planner")
    other.client.delete_cookie("tracelog_wrote")
    house.catch_up()
    before, _ = looked(other)
    house.copy.say("SELECT pg_wal_replay_pause()")
    try:
        assert visit.post("/trial").status_code == 200
        assert looked(visit) == (before + 1, False)
        assert looked(other) == (before, True)
    finally:
        house.copy.say("SELECT pg_wal_replay_resume()")
    house.catch_up()
    assert looked(visit) == (before + 1, True)
    assert looked(other) == (before + 1, True)


def test_a_program_that_wrote_lately_reads_the_primary(house: House) -> None:
    with writing(house.engine) as session:
        actor = Actor("tests", "administrator", "command")
        person = Cast(house.engine).join("planner")
        account = queries.account_named(session, person.name)
        secret = actions.create_token(
            session, account, "scales", "planner", actor, datetime.now(UTC)
        )
    headers = {"Authorization": f"Bearer {secret}"}
    client = house.app.test_client()
    client.get("/api/v1/trial", headers=headers)
    house.catch_up()
    assert client.get("/api/v1/trial", headers=headers).get_json()["by_replica"]
    assert client.post("/api/v1/trial", headers=headers).status_code == 200
    assert not client.get("/api/v1/trial", headers=headers).get_json()["by_replica"]


def test_who_signed_out_everywhere_is_out_though_the_copy_does_not_know_it_yet(
    house: House, visit: Visit
) -> None:
    house.copy.say("SELECT pg_wal_replay_pause()")
    try:
        with writing(house.engine) as session:
            account = queries.account_named(session, CAST["supervisor"].name)
            by = Actor("tests", "administrator", "command")
            session_actions.end_all(session, account.id, by, datetime.now(UTC))
        assert visit.get("/trial").status_code in {302, 303, 401}
    finally:
        house.copy.say("SELECT pg_wal_replay_resume()")


def test_a_copy_that_is_too_far_behind_is_left_aside_and_said_so(
    house: House, visit: Visit, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    seconds = [1000.0]
    monkeypatch.setattr(app_replica(house.app), "_clock", lambda: seconds[0])
    house.look_again()
    writes, by_replica = looked(visit)
    assert by_replica
    house.copy.say("SELECT pg_wal_replay_pause()")
    try:
        with writing(house.engine) as session:
            actor = Actor("tests", "administrator", "command")
            audit.append(session, actor, WROTE_AT, "try", Subject("trial", "one"))
        seconds[0] += 1.5
        assert looked(visit) == (writes, True)
        seconds[0] += 1.5
        with caplog.at_level(logging.WARNING):
            # Three seconds by the process's clock; by the primary's, less: the smaller holds.
            state = _state_when(house, seconds)
        assert state.state == "behind"
        assert state.lag_s is not None
        assert state.lag_s > 2
        assert "behind by more than 2 s" in caplog.text
        assert looked(visit) == (writes + 1, False)
        told = visit.get("/api/v1/health/ready").get_json()["replica"]
        assert told["state"] == "behind"
    finally:
        house.copy.say("SELECT pg_wal_replay_resume()")
    house.catch_up()
    assert looked(visit) == (writes + 1, True)


def _state_when(house: House, seconds: list[float]) -> replica.ReplicaState:
    found: list[replica.ReplicaState] = []

    def is_behind() -> bool:
        seconds[0] += 1.1
        found.append(app_replica(house.app).state())
        return found[-1].state == "behind"

    eventually(is_behind, "the copy is behind")
    return found[-1]


def test_a_copy_that_goes_away_in_the_middle_of_a_page_costs_nothing(
    house: House, visit: Visit, caplog: pytest.LogCaptureFixture
) -> None:
    writes, by_replica = looked(visit)
    assert by_replica
    house.copy.stop()
    with caplog.at_level(logging.INFO):
        # The copy's state is still the one of before: the page begins with it and ends without.
        assert looked(visit) == (writes, False)
        assert looked(visit) == (writes, False)
        assert caplog.text.count("the replica cannot be used") == 1
        assert visit.get("/api/v1/health/ready").get_json()["replica"]["state"] == "away"
        house.copy.start()
        house.catch_up()
        assert looked(visit) == (writes, True)
        assert "the replica answers again" in caplog.text


def test_a_copy_that_must_choose_between_replaying_and_answering_is_asked_again_next_time(
    house: House, visit: Visit, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Recovery(Exception):
        sqlstate = "40001"

    from sqlalchemy.exc import OperationalError

    calls: list[bool] = []
    view = house.app.view_functions["trial.look"]

    def cancelled_once() -> object:
        current_session()
        calls.append(is_by_replica())
        if is_by_replica() and len(calls) == 1:
            raise OperationalError("SELECT", {}, Recovery("conflict with recovery"))
        return view()

    monkeypatch.setitem(house.app.view_functions, "trial.look", _marked(cancelled_once))
    assert not looked(visit)[1]
    assert calls == [True, False]
    assert looked(visit)[1]


def _marked(view: Callable[[], object]) -> Callable[[], object]:
    return permit("see")(view)


@pytest.mark.parametrize("lag", ["soon", "0", "-1", "nan", "86400"])
def test_a_lag_that_is_none_is_refused_in_one_sentence(house: House, lag: str) -> None:
    with pytest.raises(TracelogError, match=f"TRACELOG_REPLICA_LAG is '{lag}'; give seconds"):
        replica.replica_of(house.copy.url("plant"), lag, house.engine)


def test_a_replica_of_sqlite_is_refused_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(TracelogError, match="TRACELOG_REPLICA_URL needs PostgreSQL"):
        replica.replica_of("postgresql+psycopg://x/y", None, make_engine("sqlite://"))


def test_another_server_or_a_primary_is_no_replica(house: House) -> None:
    wrong = replica.Replica(house.engine, house.engine, 2.0)
    assert wrong.state() == replica.ReplicaState("away", None, "it follows no primary any more")
    assert wrong.connect() is None
