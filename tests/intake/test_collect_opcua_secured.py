"""With certificates: the right server, the right collector, and no password in the clear."""

import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from asyncua import ua
from cryptography import x509
from sqlalchemy import Engine

from tests.intake.collecting import Heard, until
from tests.intake.conftest import Run
from tests.intake.following import figures, following, secured_map, until_shown, write_map
from tests.support.certificates import CertificateFiles, make_certificate
from tests.support.opcua_server import OpcuaServer
from tracelog.intake.opcua_map import CounterMap, Protection, Security
from tracelog.intake.opcua_security import SecuredClient, ServerRefused, secure
from tracelog.intake.own_loop import run_apart

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="the server of the tests forks"),
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]
SERVER_URI = "urn:freeopcua:python:server"
PASSWORD = "a pass word"


class Keys:
    """Certificates that are made once for all tests of a worker."""

    def __init__(self, folder: Path) -> None:
        self.ours = make_certificate(folder, "ours", "urn:alder-point:collector")
        self.stranger = make_certificate(folder, "stranger", "urn:alder-point:collector")
        self.server = make_certificate(folder, "server", SERVER_URI)
        self.other = make_certificate(folder, "other", SERVER_URI)
        self.stale = make_certificate(folder, "stale", SERVER_URI, ends=-timedelta(days=1))

    def serving(self, files: CertificateFiles) -> dict[str, Any]:
        """What a server with this certificate is started with."""
        return {
            "certificate": str(files.certificate),
            "key": str(files.key),
            "trusted": [str(self.ours.certificate)],
            "users": {"robin": PASSWORD},
        }

    @property
    def security(self) -> Security:
        """What a map says that fits `server`."""
        return Security(
            self.ours.certificate,
            self.ours.key,
            self.server.certificate,
            Protection.SIGN_AND_ENCRYPT,
            "robin",
        )


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Keys:
    return Keys(tmp_path_factory.mktemp("keys"))


@pytest.fixture
def server(keys: Keys) -> Iterator[OpcuaServer]:
    server = OpcuaServer({"c1": 1000}, keys.serving(keys.server))
    yield server
    server.close()


def one_map(security: Security | None) -> CounterMap:
    return secured_map([1], security)


@pytest.mark.parametrize("protection", list(Protection))
def test_counters_are_followed_over_a_secured_channel(
    plant: Engine, keys: Keys, server: OpcuaServer, protection: Protection
) -> None:
    security = replace(keys.security, protection=protection)
    with following(plant, server.url, one_map(security), PASSWORD) as running:
        until(lambda: figures(plant, 1))
        server.show("c1", 1003, made=3)
        until_shown(plant, 1, 1003)
        counts = running.stop()
    assert counts["kept"] >= 2
    assert counts["rejected"] == 0


def refused(plant: Engine, url: str, security: Security | None, password: str = PASSWORD) -> str:
    with following(plant, url, one_map(security), password) as running:
        with pytest.raises(ServerRefused) as raised:
            running.end()
        assert not figures(plant, 1)
    return raised.value.sentence


def test_another_server_than_the_trusted_one_is_refused(
    plant: Engine, keys: Keys, server: OpcuaServer
) -> None:
    told = refused(
        plant, server.url, replace(keys.security, server_certificate=keys.other.certificate)
    )
    assert told.startswith("this is not the server that is trusted: its certificate has the")
    assert f"{keys.other.certificate} has " in told
    assert "before you trust another" in told


def test_a_collector_that_the_server_does_not_trust_is_told(
    plant: Engine, keys: Keys, server: OpcuaServer
) -> None:
    told = refused(
        plant,
        server.url,
        replace(
            keys.security, certificate=keys.stranger.certificate, private_key=keys.stranger.key
        ),
    )
    path = keys.stranger.certificate
    assert told.startswith(f"the server does not accept our certificate {path}")


def test_a_wrong_password_is_told(plant: Engine, keys: Keys, server: OpcuaServer) -> None:
    told = refused(plant, server.url, keys.security, "wrong")
    assert told.startswith("the server does not let us in (BadUserAccessDenied); check user")
    assert "wrong" not in told


def test_a_server_that_asks_for_security_says_which(
    plant: Engine, keys: Keys, server: OpcuaServer
) -> None:
    told = refused(plant, server.url, None)
    assert told.endswith("it offers: Basic256Sha256 Sign, Basic256Sha256 SignAndEncrypt")


def test_a_server_that_becomes_another_is_left_until_it_is_the_right_one_again(
    plant: Engine, keys: Keys, server: OpcuaServer
) -> None:
    another = Heard("this is not the server that is trusted")
    with following(plant, server.url, one_map(keys.security), PASSWORD) as running:
        until(lambda: figures(plant, 1))
        server.die()
        server.secured = keys.serving(keys.other)
        server.start()
        until(another)
        server.die()
        server.secured = keys.serving(keys.server)
        server.start()
        server.show("c1", 1005, made=5)
        until_shown(plant, 1, 1005)
        assert running.stop()["rejected"] == 0
    another.close()


def test_the_command_takes_the_map_and_the_password_from_the_environment(
    plant: Engine, keys: Keys, server: OpcuaServer, run: Run, tmp_path: Path
) -> None:
    folder = keys.ours.certificate.parent
    head = f"""
[security]
policy = "Basic256Sha256"
certificate = "{os.path.relpath(keys.ours.certificate, tmp_path)}"
private_key = "{folder / "ours-key.pem"}"
server_certificate = "{folder / "server.pem"}"
user = "robin"
"""
    path = write_map(tmp_path / "counters.toml", [1], head)
    words = ("collect", "--opcua", server.url, "--map", path)
    assert "names a user; set TRACELOG_OPCUA_PASSWORD" in run(*words, "--once", status=1).stderr
    run.environment["TRACELOG_OPCUA_PASSWORD"] = PASSWORD
    done = run(*words, "--once")
    assert done.stdout == "1 readings kept, 0 known before, 0 messages rejected\n"
    assert PASSWORD not in done.stderr
    assert "ns=2;s=c1" in run(*words, "--list").stdout


def test_no_password_goes_over_the_line_in_the_clear(database_kind: str) -> None:
    client = SecuredClient("opc.tcp://127.0.0.1:1")
    client.set_user("robin")
    client._policy_ids = [
        ua.UserTokenPolicy(
            TokenType=ua.UserTokenType.UserName,
            SecurityPolicyUri="http://opcfoundation.org/UA/SecurityPolicy#None",
        )
    ]
    with pytest.raises(ServerRefused, match="asks for the password in the clear"):
        run_apart(client.activate_session(username="robin", password=PASSWORD))


def sentence_about(security: Security) -> str:
    with pytest.raises(ServerRefused) as raised:
        run_apart(secure(SecuredClient("opc.tcp://127.0.0.1:1"), security, PASSWORD))
    return raised.value.sentence


def test_files_that_are_not_what_they_should_be_are_named(
    database_kind: str, keys: Keys, tmp_path: Path
) -> None:
    rubbish = tmp_path / "rubbish.pem"
    rubbish.write_bytes(b"-----BEGIN nothing")
    right = keys.security
    assert sentence_about(replace(right, certificate=rubbish)).startswith(
        f"certificate: {rubbish} is not a certificate"
    )
    assert sentence_about(replace(right, server_certificate=tmp_path)).startswith(
        f"server_certificate: {tmp_path} is not a certificate"
    )
    assert sentence_about(replace(right, private_key=rubbish)).startswith(
        f"private_key: {rubbish} is not a private key without a password"
    )
    assert sentence_about(replace(right, private_key=keys.other.key)).endswith(
        "name the two that belong together"
    )
    nameless = make_certificate(tmp_path, "nameless", None)
    assert "names no application" in sentence_about(
        replace(right, certificate=nameless.certificate, private_key=nameless.key)
    )


def test_a_certificate_that_has_run_out_is_told_and_one_in_der_is_taken(
    database_kind: str, keys: Keys, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    from cryptography.hazmat.primitives.serialization import Encoding

    der = tmp_path / "stale.der"
    certificate = x509.load_pem_x509_certificate(keys.stale.certificate.read_bytes())
    der.write_bytes(certificate.public_bytes(Encoding.DER))
    security = replace(keys.security, server_certificate=der)
    client = SecuredClient("opc.tcp://127.0.0.1:1")
    run_apart(secure(client, security, PASSWORD))
    assert client.application_uri == "urn:alder-point:collector"
    assert [line.split(" since ")[0] for line in caplog.messages if "stale" in line] == [
        f"{der} is no longer valid"
    ]
