"""JSON as programs send it, into the facts that the API takes.

The first byte says which fact, the rest is the body.
"""

import json
import math

from tests.api.facts import TAKEN
from tests.api.plant import ZONE
from tests.fuzz.telling import must_tell
from tracelog.errors import BadFact
from tracelog.facts import Fact, write_value
from tracelog.json_text import UnreadableBody, parse_json


def try_one(data: bytes) -> None:
    """Read a body, and each object in it as a fact."""
    if not data:
        return
    try:
        value = parse_json(data[1:])
    except UnreadableBody as problem:
        must_tell(problem)
        return
    _read_as_others_do(value, data[1:])
    fact = TAKEN[data[0] % len(TAKEN)].fact
    for item in value if isinstance(value, list) else [value]:
        if isinstance(item, dict):
            _fact(fact, item)


def _read_as_others_do(value: object, body: bytes) -> None:
    other = json.loads(body)
    # Numbers beyond all floats are read as infinite by both.
    assert value == other or not math.isfinite(_largest(value))


def _largest(value: object) -> float:
    if isinstance(value, dict):
        return max(map(_largest, value.values()), default=0.0)
    if isinstance(value, list):
        return max(map(_largest, value), default=0.0)
    return abs(value) if isinstance(value, float) else 0.0


def _fact(kind: type[Fact], item: dict[str, object]) -> None:
    try:
        fact = kind.read(item, ZONE)
    except BadFact as problem:
        must_tell(problem)
        return
    told = {name: write_value(getattr(fact, name)) for name in kind.columns()}
    assert kind.read(told, ZONE) == fact, told
