"""The command that collects over MQTT: how it is told where from, and what it says."""

import re
import signal
import sys
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.intake.collecting import kept, messages, stream, subscribe
from tests.intake.conftest import Run
from tests.intake.test_collect_mqtt import START
from tests.support.broker import Broker
from tests.support.certificates import make_certificate
from tests.support.command import Command

SECRET = "seven quiet presses"


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "say where the readings come from"),
        (("--mqtt", "http://broker"), "write mqtt://host:1883"),
        (("--mqtt", f"mqtt://me:{SECRET}/@broker"), "write mqtt://host:1883"),
        (("--mqtt", "mqtt://broker", "--protocol", "4"), "'4' is not one of"),
        (("--mqtt", "mqtt://broker", "--ca", __file__), "need an address with mqtts://"),
        (("--mqtt", "mqtts://broker", "--key", __file__), "--key needs --cert"),
    ],
)
def test_wrong_usage_is_told(run: Run, words: tuple[str, ...], told: str) -> None:
    done = run("collect", *words, status=2)
    assert told in " ".join(done.stderr.split())
    assert SECRET not in done.stderr


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_without_a_plant_there_is_nothing_to_collect_for(run: Run) -> None:
    done = run("collect", "--mqtt", "mqtt://127.0.0.1:9", status=1)
    assert re.fullmatch(r"tracelog: .*plant.*\n", done.stderr)


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_once_takes_what_waits_and_says_how_much(plant: Engine, broker: Broker, run: Run) -> None:
    subscribe(plant, broker)
    readings = stream(START, 30)
    with broker.publisher() as publisher:
        publisher.send_all(messages(readings) + messages(readings[:3]))
        publisher.send_all([("tracelog/x/1/1/strokes", "5")])
    protocol = "5" if broker.kind == "mosquitto" else "3.1.1"
    done = run("collect", "--mqtt", broker.url, "--once", "--protocol", protocol)
    assert done.stdout == "30 readings kept, 3 known before, 1 messages rejected\n"
    assert kept(plant) == sorted(readings)
    lines = [line.split(" ", 1) for line in done.stderr.splitlines()]
    assert all(re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", at) for at, _line in lines)
    told = sorted(line for _at, line in lines)
    assert told[0] == f"info: listening at {broker.url}"
    assert told[-1].startswith("warning: rejected tracelog/x/1/1/strokes: the topic names")


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_a_password_opens_the_broker_and_is_never_shown(
    plant: Engine, lasting_broker: Broker, run: Run
) -> None:
    lasting_broker.stop()
    lasting_broker.ask_for("gauge", SECRET)
    lasting_broker.start()
    refused = run("collect", "--mqtt", lasting_broker.url, "--once", status=1)
    assert "refuses: Not authorized" in refused.stderr
    assert refused.stderr.count("\n") == 1
    run.environment["TRACELOG_MQTT_USERNAME"] = "gauge"
    run.environment["TRACELOG_MQTT_PASSWORD"] = SECRET
    done = run("collect", "--mqtt", lasting_broker.url, "--once")
    assert "listening at" in done.stderr
    named = lasting_broker.url.replace("mqtt://", "mqtt://gauge@")
    with_name = run("collect", "--mqtt", named, "--once")
    for said in (done.stdout, done.stderr, with_name.stdout, with_name.stderr, refused.stderr):
        assert SECRET not in said


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_an_encrypted_connection_is_made_only_with_a_broker_that_can_be_trusted(
    plant: Engine, run: Run, tmp_path: Path
) -> None:
    ours, theirs, other = (make_certificate(tmp_path, name, None) for name in ("a", "b", "c"))
    broker = Broker(
        "mosquitto",
        tmp_path / "broker",
        *(f"cafile {ours.certificate}", f"certfile {theirs.certificate}"),
        *(f"keyfile {theirs.key}", "require_certificate true", "use_identity_as_username true"),
    ).start()
    url = broker.url.replace("mqtt://", "mqtts://")
    own = ("--cert", ours.certificate, "--key", ours.key)
    try:
        for trusted in (("--ca", other.certificate), ()):
            refused = run("collect", "--mqtt", url, *trusted, *own, "--once", status=1)
            assert "no secure connection" in refused.stderr
            assert "self-signed certificate" in refused.stderr.replace("self signed", "self-signed")
        trusted = ("--ca", theirs.certificate)
        wrong = run("collect", "--mqtt", url, *trusted, "--cert", other.key, "--once", status=1)
        assert "cannot be used" in wrong.stderr
        done = run("collect", "--mqtt", url, *trusted, *own, "--once")
        assert f"listening at {url}" in done.stderr
    finally:
        broker.stop()


@pytest.mark.skipif(sys.platform == "win32", reason="there is no such signal")
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_in_order(plant: Engine, command: Command, number: signal.Signals) -> None:
    # No broker listens there; it keeps trying.
    running = command.start("collect", "--mqtt", "mqtt://127.0.0.1:9")
    assert running.stderr is not None
    assert "cannot be reached and is tried again" in running.stderr.readline()
    running.send_signal(number)
    said, _told = running.communicate(timeout=20)
    assert running.returncode == 0
    assert said == "0 readings kept, 0 known before, 0 messages rejected\n"
