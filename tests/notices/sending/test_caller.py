"""Webhooks are called once, signed, at the address that was checked, and nothing is followed."""

import json
import socket
import ssl
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.notices.sending.test_signatures import verified
from tests.notices.subscribing import NOW, Receiver, asks, complaint, everything, find, minutes
from tests.support.certificates import make_certificate
from tracelog.audit import Actor
from tracelog.db import reading
from tracelog.notices.delivering import Sender
from tracelog.notices.queries import webhooks
from tracelog.notices.sending import caller
from tracelog.notices.sending.caller import Answer, Call, call_webhook
from tracelog.notices.sending.signatures import webhook_secret
from tracelog.notices.sending.targets import Reach

AT = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
TRUST = ssl.create_default_context()
SECRET = webhook_secret("key", "hook", 1)


def call(url: str, reach: Reach = Reach.ANY, trust: ssl.SSLContext = TRUST) -> Answer:
    return call_webhook(Call(url, b"{}", "m", "hook", SECRET, 1), reach, trust, AT)


def test_a_message_arrives_whole_and_signed_and_is_noted(
    plant: Engine, sara: Actor, sender: Sender, receiver: Receiver
) -> None:
    secret = asks(plant, sara, way="webhook", address=receiver.url).secret
    find(plant, complaint(1))
    assert sender.send_due() == 1
    ((path, headers, body),) = receiver.calls
    (message,) = everything(plant)[1]
    assert path == "/in?line=1"
    assert headers["Tracelog-Message"] == str(message.id)
    assert secret
    assert verified(headers, "POST", receiver.url, body, secret)
    said = json.loads(body)
    assert said["message"] == str(message.id)
    assert said["plant"] == "Tin Works"
    assert said["notices"][0]["title"] == "Complaint 1 written by quentin"
    assert said["notices"][0]["link"] == "https://tracelog.example/complaints/1"
    (attempt,) = everything(plant)[2]
    assert (attempt.accepted, attempt.answer) == (True, "200 thank you")
    assert sender.send_due() == 0


def test_what_failed_is_sent_again_later_with_the_same_id_and_the_same_bytes(
    plant: Engine,
    sara: Actor,
    sender: Sender,
    receiver: Receiver,
    at: Callable[[datetime], None],
) -> None:
    asks(plant, sara, way="webhook", address=receiver.url)
    find(plant, complaint(1))
    receiver.answers = [(503, {}, b"busy\r\n\x00now"), (200, {}, b"")]
    assert sender.send_due() == 0
    assert sender.send_due() == 0
    (attempt,) = everything(plant)[2]
    assert attempt.answer == "503 busy now"
    at(NOW + minutes(1.5))
    assert sender.send_due() == 1
    (first, second) = receiver.calls
    assert first[2] == second[2]
    assert first[1]["Tracelog-Message"] == second[1]["Tracelog-Message"]
    assert (first[1]["Tracelog-Attempt"], second[1]["Tracelog-Attempt"]) == ("1", "2")
    # Signed anew, so that a receiver may refuse old signatures.
    assert first[1]["Signature"] != second[1]["Signature"]


def test_it_is_not_followed_elsewhere(receiver: Receiver) -> None:
    other = Receiver().start()
    try:
        receiver.answers = [(307, {"Location": other.url}, b"")]
        answer = call(receiver.url)
        assert not answer.accepted
        assert answer.words == "307: it leads elsewhere, which is not followed"
        assert other.calls == []
    finally:
        other.stop()


def test_who_says_that_nothing_is_wanted_any_more_is_not_asked_again(receiver: Receiver) -> None:
    receiver.answers = [(410, {}, b"gone")]
    assert call(receiver.url).is_final
    receiver.answers = [(404, {}, b"")]
    assert not call(receiver.url).is_final


def test_of_a_long_answer_only_the_beginning_is_read(receiver: Receiver) -> None:
    receiver.answers = [(200, {}, b"x" * 3_000_000)]
    answer = call(receiver.url)
    assert answer.accepted
    assert len(answer.words) == 200


def test_this_computer_is_not_called_unless_it_is_allowed(receiver: Receiver) -> None:
    answer = call(receiver.url, Reach.PLANT)
    assert not answer.accepted
    assert "leads to 127.0.0.1, which webhooks may not call here" in answer.words
    assert receiver.calls == []


def test_a_name_that_stands_for_another_address_afterwards_is_called_at_the_checked_one(
    receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The name is looked up once; whoever owns it cannot turn the call elsewhere after that."""
    port = int(receiver.url.split(":")[2].split("/")[0])
    looked_up: list[str] = []
    known = socket.getaddrinfo

    def look_up(host: str, *asked: object, **more: object) -> object:
        if host == "hook.example":
            looked_up.append(host)
            address = "127.0.0.1" if len(looked_up) == 1 else "169.254.169.254"
            return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (address, port))]
        return known(host, *asked, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(socket, "getaddrinfo", look_up)
    assert call(f"http://hook.example:{port}/in").accepted
    assert looked_up == ["hook.example"]
    ((_path, headers, _body),) = receiver.calls
    assert headers["Host"] == f"hook.example:{port}"
    refused = call(f"http://hook.example:{port}/in")
    assert "169.254.169.254, which webhooks may not call" in refused.words


def test_nobody_listens(receiver: Receiver) -> None:
    url = receiver.url
    closed = Receiver().start()
    gone = closed.url
    closed.stop()
    assert "could not be reached" in call(gone).words
    assert call(url).accepted


def test_whoever_says_a_little_now_and_then_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(caller, "_LONGEST_SECONDS", 0.5)
    with socket.create_server(("127.0.0.1", 0)) as listening:
        stop = threading.Event()

        def dribble() -> None:
            line, _address = listening.accept()
            with line:
                line.recv(4096)
                line.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 4000\r\n\r\n")
                while not stop.wait(0.1):
                    try:
                        line.sendall(b".")
                    except OSError:
                        return

        thread = threading.Thread(target=dribble)
        thread.start()
        began = time.monotonic()
        answer = call(f"http://127.0.0.1:{listening.getsockname()[1]}/in")
        took = time.monotonic() - began
        stop.set()
        thread.join()
    assert took < 5
    assert not answer.accepted or answer.words.startswith("200 ...")


def test_a_certificate_must_be_trusted_and_be_for_the_name(tmp_path: Path) -> None:
    files = make_certificate(tmp_path, "server", None)
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(files.certificate, files.key)
    receiver = Receiver().start()
    try:
        receiver._server.socket = serving.wrap_socket(receiver._server.socket, server_side=True)
        url = receiver.url.replace("http://", "https://")
        assert "CERTIFICATE_VERIFY_FAILED" in call(url).words
        assert receiver.calls == []
        trusting = ssl.create_default_context(cafile=str(files.certificate))
        assert call(url, trust=trusting).accepted
        named = call(url.replace("127.0.0.1", "localhost"), trust=trusting)
        assert "Hostname mismatch" in named.words
    finally:
        receiver.stop()


def test_a_process_with_another_secret_key_leaves_webhooks_to_others(
    plant: Engine, sara: Actor, sender: Sender, receiver: Receiver
) -> None:
    from dataclasses import replace

    asks(plant, sara, way="webhook", address=receiver.url)
    find(plant, complaint(1))
    stranger = Sender(plant, replace(sender.settings, secret_key="another key"))
    assert stranger.send_due() == 0
    assert everything(plant)[2] == []
    with reading(plant) as session:
        (hook,) = webhooks(session)
    assert sender.may_call(hook)
    assert not stranger.may_call(hook)
    assert sender.send_due() == 1
