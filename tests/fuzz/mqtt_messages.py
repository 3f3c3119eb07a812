"""MQTT: topics and payloads, and the addresses of brokers.

The first byte says how a message came, then stands the topic, a line end, and the payload.
"""

import json
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from tests.fuzz.telling import must_tell
from tracelog.facts import write_value
from tracelog.intake.mqtt_rules import Message, Understood, read_address, understand
from tracelog.intake.reject_rules import Arrived, Reject, Told, minute_of, storable, tallied

ZONE = ZoneInfo("Europe/Madrid")
PLANT = "Alder Point"
ARRIVED_AT = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def try_one(data: bytes) -> None:
    """Understand one message, and count it if it is rejected."""
    if not data:
        return
    head, _line_end, payload = data[1:].partition(b"\n")
    topic = head.decode("utf-8", "surrogateescape")
    _address(topic)
    origin = Arrived.of("mqtt", topic, payload, ARRIVED_AT)
    message = Message(origin, again=bool(data[0] & 1), stored=bool(data[0] & 2))
    # The plant is named as the topic says, else hardly any message would get further.
    levels = topic.split("/")
    for plant in (PLANT, *levels[1:2]):
        found = understand(message, plant, ZONE)
        if isinstance(found, Reject):
            _count(found)
        else:
            _same_again(found, topic)


def _address(text: str) -> None:
    try:
        address = read_address(text)
    except ValueError as problem:
        must_tell(problem)
        return
    assert address.host
    assert str(address).startswith("mqtt")
    assert repr(address) == repr(replace(address, password=None))


def _same_again(found: Understood, topic: str) -> None:
    """A reading that is sent once more in its canonical form is the same reading."""
    fact = found.fact
    told = {"read_at": write_value(fact.read_at), "strokes": fact.strokes}
    origin = Arrived.of("mqtt", topic, json.dumps(told).encode(), ARRIVED_AT)
    again = understand(Message(origin), topic.split("/")[1], ZONE)
    assert isinstance(again, Understood)
    assert again.fact == fact


def _count(reject: Reject) -> None:
    assert reject.reason
    (row,) = tallied([reject, reject], {}).values()
    assert row.times == 2
    assert row.key[2] == minute_of(ARRIVED_AT)
    _storable((row.reason, row.key[1], Told().sentence(reject) or ""))


def _storable(texts: Iterable[str]) -> None:
    for text in texts:
        text.encode("utf-8")
        assert text.isprintable(), text
        assert storable(text) == text
