"""The API as others read its description, called with what it allows and with what it does not.

Calls are made in process. `call_at_random` takes one operation; `machine_of` chains calls, using
what one answers (an id, a serial) in the next, as the links of the description say.
"""

import copy
import itertools
import json
import re
import zlib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import schemathesis
from flask import Flask
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import load_all_checks
from schemathesis.generation.modes import GenerationMode
from schemathesis.specs.openapi.checks import negative_data_rejection, positive_data_acceptance

from tests.api.plant import Site
from tests.api.test_guide import SENT

# Called in process, nobody decompresses.
UNCOMPRESSED = {"Accept-Encoding": "identity"}
# What is right by its form may name a line that the plant does not have.
LEFT_OUT = [positive_data_acceptance]
WITHOUT_REFUSAL = [*LEFT_OUT, negative_data_rejection]
MODES = {"allowed": GenerationMode.POSITIVE, "not allowed": GenerationMode.NEGATIVE}
# What the guide to the API sends; at random hardly anything would be kept, and nothing chained.
GOOD = {f"/api/v1{path}": json.loads(body) for path, body in SENT}


def read_by_others(app: Flask) -> Any:
    """The description as a library reads it that knows nothing of ours; read it once."""
    load_all_checks()
    schema = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", app, headers=UNCOMPRESSED)
    schema.config.checks.negative_data_rejection.expected_statuses.append("413")
    return schema


def quickly(examples: int, **more: Any) -> settings:
    """Settings with so many examples, nothing kept, nothing shrunk."""
    return settings(
        max_examples=examples,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
        deadline=None,
        database=None,
        **more,
    )


def call_at_random(operation: Any, headers: dict[str, str], mode: str, examples: int) -> int:
    """Call one operation, and have every answer checked against the description.

    Args:
        operation: of the schema.
        headers: who calls.
        mode: a key of `MODES`.
        examples: how often at most.

    Returns:
        How many calls were made; none where nothing is sent that could be wrong.
    """
    if mode == "not allowed" and not operation.body and not list(operation.iter_parameters()):
        return 0
    made = itertools.count()

    @quickly(examples)
    @given(case=operation.as_strategy(generation_mode=MODES[mode]))
    def check(case: Any) -> None:
        next(made)
        case.call_and_validate(headers=headers | UNCOMPRESSED, excluded_checks=_left_out(case))

    check()
    return next(made)


def _left_out(case: Any, is_chained: bool = False) -> list[Any]:
    """Checks that say nothing of a call; `is_chained`: its body may have been put in its place.

    Asked to keep the good items of an array, we answer 200 with a problem in the place of each bad
    one. And by our conventions blank means not known, ends are trimmed, and digits may be text, so
    that what the description does not allow may be right all the same.
    """
    sent = [case.query or {}, case.body if isinstance(case.body, dict | list) else None]
    keeps_good = "keep_good" in (case.query or {})
    may_be_right = keeps_good or is_chained or any(map(_READS_AS_ELSE, _texts(sent)))
    return WITHOUT_REFUSAL if may_be_right else LEFT_OUT


_READS_AS_ELSE = re.compile(r"\s*|\s+.*|.*\s+|[+-]?[0-9.]+(e[+-]?[0-9]+)?|yes|no", re.S).fullmatch


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for one in value.values():
            yield from _texts(one)
    elif isinstance(value, list):
        for one in value:
            yield from _texts(one)


def machine_of(schema: Any, site: Site) -> Any:
    """A machine of states whose rules are the operations and the links between them.

    Each chain begins with the database as it is now: the same calls must get the same answers, or
    nothing could be tried again.

    Args:
        schema: as `read_by_others` reads it.
        site: what it describes; on SQLite, in a file.
    """
    kept = _content(site)
    headers_of = who_may(site.tokens)

    class Calls(schema.as_state_machine()):  # type: ignore[misc]
        def setup(self) -> None:
            _put_back(site, kept)

        def before_call(self, case: Any) -> None:
            good = GOOD.get(case.path)
            # Two of three as the guide sends them, so that the next call has something to go on.
            if good is not None and zlib.crc32(repr(case.body).encode("utf-8", "replace")) % 3:
                case.body = copy.deepcopy(good)

        def get_call_kwargs(self, case: Any) -> dict[str, Any]:
            return {"headers": headers_of(case.path) | UNCOMPRESSED}

        def validate_response(self, response: Any, case: Any, **sent: Any) -> None:
            case.validate_response(
                response,
                headers=sent["headers"],
                excluded_checks=_left_out(case, is_chained=True),
                transport_kwargs=sent,
                recorder=self.recorder,
            )

    return Calls


def who_may(tokens: Mapping[str, str]) -> Callable[[str], dict[str, str]]:
    """Headers by path: stock belongs to quality, handing over to supervisors, the rest to whoever
    administers.
    """

    def headers_of(path: str) -> dict[str, str]:
        is_stock = path.startswith(("/api/v1/holds", "/api/v1/complaints"))
        hands_over = path.startswith("/api/v1/handover/signatures")
        role = "quality" if is_stock else "supervisor" if hands_over else "administrator"
        return {"Authorization": f"Bearer {tokens[role]}"}

    return headers_of


def _content(site: Site) -> bytes:
    with site.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    return Path(str(site.engine.url.database)).read_bytes()


def _put_back(site: Site, content: bytes) -> None:
    site.engine.dispose()
    path = Path(str(site.engine.url.database))
    for ending in ("-wal", "-shm"):
        path.with_name(path.name + ending).unlink(missing_ok=True)
    path.write_bytes(content)
