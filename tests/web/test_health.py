"""How the server does: the page, the call, the figures, and the command."""

import json
from datetime import timedelta
from pathlib import Path

import pytest
from flask import Flask
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import Engine

from tests.intake.folders import EXTRA, GOOD, import_good, write_folder
from tests.support.clock import Clock
from tests.support.command import Command
from tests.support.site import CAST, Cast, Visit
from tracelog.db import writing
from tracelog.keeping.last import LastBackup, remember
from tracelog.people.actions import create_token
from tracelog.people.queries import account_named
from tracelog.web.counting import count_turned_away
from tracelog.web.health_words import size

only_sqlite = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
EVERYTHING = {file: [*rows, EXTRA[file]] for file, rows in GOOD.items()}


def figures_of(text: str) -> dict[str, float]:
    """Each figure under its name and the values of its labels."""
    return {
        " ".join([sample.name, *sample.labels.values()]): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def token_for(engine: Engine, cast: Cast, clock: Clock, *scopes: str) -> str:
    person = cast.join("administrator")
    with writing(engine) as session:
        account = account_named(session, person.name)
        return create_token(
            session,
            account,
            "watcher",
            "administrator",
            CAST["administrator"].actor(),
            clock.now(),
            scopes=scopes,
        )


def test_it_tells_what_is_in_the_database(
    own_engine: Engine, tmp_path: Path, visit: Visit, cast: Cast, clock: Clock
) -> None:
    cast.sign_in(visit, "administrator")
    before = visit.get("/api/v1/health/standing").get_json()
    assert before["cautions"][0] == "No backup was ever made on this server."
    assert (before["entries"], before["counters_silent"]) == (0, [])
    import_good(own_engine, write_folder(tmp_path / "plant", EVERYTHING))
    remember(tmp_path, LastBackup(clock.now() - timedelta(hours=2), "kept.zip"))
    after = visit.get("/api/v1/health/standing").get_json()
    assert after["entries"] == len(EVERYTHING["defects.csv"])
    assert after["database"].split()[0].lower() == own_engine.dialect.name
    assert after["database_bytes"] > 100_000
    assert after["backup"]["age_seconds"] == 7200
    assert not after["backup"]["is_old"]
    assert not [one for one in after["cautions"] if "ackup" in one]
    assert after["disks"][0]["total_bytes"] > after["disks"][0]["free_bytes"] > 0
    assert "1-1" in after["counters_silent"]
    page = visit.get("/health").text
    assert "2\N{NO-BREAK SPACE}h ago" in page
    assert "of this version" in page


@only_sqlite
def test_an_old_or_failed_backup_is_told_to_whoever_can_mend_it(
    own_engine: Engine, application: Flask, tmp_path: Path, visit: Visit, cast: Cast, clock: Clock
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    remember(tmp_path, LastBackup(clock.now() - timedelta(hours=31), "kept.zip"))
    told = {"at": clock.now().isoformat(), "why": "the disk is full", "times": 3}
    (tmp_path / "backup-failed.json").write_text(json.dumps(told))
    cast.sign_in(visit, "administrator")
    page = visit.get("/health").text
    assert "The scheduled backup failed, 3 in a row: the disk is full" in page
    assert "The last good backup is 31\N{NO-BREAK SPACE}h old." in page
    assert "The scheduled backup failed." in visit.get("/").text
    other = Visit(application.test_client())
    cast.sign_in(other, "operator")
    assert "backup" not in other.get("/").text
    assert other.get("/health").status_code == 403


@only_sqlite
def test_figures_are_read_with_a_token_that_opens_nothing_else(
    own_engine: Engine, application: Flask, tmp_path: Path, cast: Cast, visit: Visit, clock: Clock
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    remember(tmp_path, LastBackup(clock.now() - timedelta(minutes=5), "kept.zip"))
    headers = {"Authorization": f"Bearer {token_for(own_engine, cast, clock, 'monitoring')}"}
    program = application.test_client()
    assert program.get("/api/v1/health/metrics").status_code == 401
    assert program.get("/api/v1/defects", headers=headers).status_code == 403
    first = figures_of(program.get("/api/v1/health/metrics", headers=headers).text)
    for _ in range(3):
        assert program.get("/api/v1/machines/1/bodymaker/1").status_code == 401
    program.get("/no-such-page/somebody")
    count_turned_away("entry")
    answer = program.get("/api/v1/health/metrics", headers=headers)
    assert answer.content_type == "text/plain; version=0.0.4; charset=utf-8"
    second = figures_of(answer.text)

    def grown(name: str) -> float:
        return second[name] - first.get(name, 0.0)

    route = "/api/v1/machines/<line>/<station>/<number>"
    assert grown(f"tracelog_requests_total GET {route} 401") == 3, sorted(second)
    assert grown("tracelog_requests_total  unknown 404") == 1
    assert "somebody" not in answer.text
    assert grown("tracelog_requests_turned_away_total entry") == 1
    assert grown(f"tracelog_request_seconds_count {route}") == 3
    assert second["tracelog_entries_total"] == len(GOOD["defects.csv"])
    assert second["tracelog_backup_age_seconds"] == 300
    assert second["tracelog_counter_age_seconds 1-1"] > 0
    assert second["tracelog_notices_waiting"] == 0


@only_sqlite
def test_database_errors_are_counted(
    own_engine: Engine,
    application: Flask,
    cast: Cast,
    visit: Visit,
    clock: Clock,
) -> None:
    headers = {"Authorization": f"Bearer {token_for(own_engine, cast, clock, 'monitoring')}"}
    program = application.test_client()
    asked = "/api/v1/health/metrics"
    name = "tracelog_database_errors_total other"
    before = figures_of(program.get(asked, headers=headers).text).get(name, 0.0)
    cast.sign_in(visit, "administrator")
    with own_engine.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE rejected_messages RENAME TO away")
    assert visit.get("/counters/rejected").status_code in (409, 500)
    assert visit.get("/health").status_code == 500
    with own_engine.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE away RENAME TO rejected_messages")
    assert figures_of(program.get(asked, headers=headers).text)[name] > before


@only_sqlite
def test_the_command_says_what_to_look_at(
    own_engine: Engine, command: Command, tmp_path: Path
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    done = command("health", status=1)
    assert "No backup was ever made on this server." in done.stderr
    assert "last good backup" in done.stdout
    command("backup", tmp_path / "all.zip")
    told = json.loads(command("health", "--json").stdout)
    assert told["backup"]["is_old"] is False
    assert told["cautions"] == []


def test_sizes_are_written_for_people() -> None:
    assert [size(one) for one in (0, 999, 1000, 2.4e9, 7e15)] == [
        *("0 B", "999 B", "1.0 kB", "2.4 GB", "7,000.0 TB")
    ]
