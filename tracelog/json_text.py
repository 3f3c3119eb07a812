"""JSON text, read strictly, whichever door it comes through.

What two readers could understand differently (a name that stands twice, numbers that are none)
is refused and not guessed.
"""

import json
import math
from typing import Any

from tracelog.errors import TracelogError
from tracelog.language import _


class UnreadableBody(TracelogError):
    """What was sent is not JSON that can be read in one way only."""

    status = 400


def finite(value: float | None) -> float | None:
    """A number as JSON knows it: None where there is none, since JSON has no nan, no infinity."""
    return float(value) if value is not None and math.isfinite(value) else None


def parse_json(sent: bytes) -> Any:
    """Read JSON text.

    Raises:
        UnreadableBody: it is not JSON, holds a name twice in one object, or a number that JSON
            does not have.
    """
    try:
        text = sent.decode("utf-8")
    except UnicodeDecodeError as problem:
        raise UnreadableBody(
            _("byte %(place)d is not UTF-8; JSON is sent in UTF-8", place=problem.start + 1)
        ) from None
    if not text.strip():
        raise UnreadableBody(_("nothing was sent; send an object, or an array of objects"))
    try:
        return json.loads(text, object_pairs_hook=_object, parse_constant=_no_number)
    except json.JSONDecodeError as problem:
        raise UnreadableBody(
            _(
                "what was sent is not JSON: line %(line)d, column %(column)d cannot be read",
                line=problem.lineno,
                column=problem.colno,
            )
        ) from None
    except RecursionError:
        raise UnreadableBody(_("what was sent is nested too deeply; send flat objects")) from None
    except ValueError:
        # Python refuses to read integers of thousands of digits.
        raise UnreadableBody(_("a number in it has too many digits; send fewer")) from None


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _value in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise UnreadableBody(
            _("'%(name)s' stands twice in one object; send each name once", name=twice[:60])
        )
    try:
        "".join(found).encode()
    except UnicodeEncodeError:
        raise UnreadableBody(
            _("the name of a field holds half a character; write names in Unicode")
        ) from None
    return found


def _no_number(word: str) -> Any:
    raise UnreadableBody(
        _(
            "%(word)s is not a number in JSON; send a number, or null where it is not known",
            word=word,
        )
    )
