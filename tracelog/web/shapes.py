"""Small words to describe what the API takes and answers, as JSON Schema (2020-12).

The rooms describe their answers with them, beside the calls; `tracelog.web.openapi` puts the
descriptions together. Answers may gain fields, so that objects are left open.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeAlias, TypeVar

from tracelog.facts import Fact

Shape: TypeAlias = dict[str, Any]
View = TypeVar("View", bound=Callable[..., Any])

TEXT: Shape = {"type": "string"}
INSTANT: Shape = {"type": "string", "format": "date-time"}
DAY: Shape = {"type": "string", "format": "date"}
ID: Shape = {"type": "string", "format": "uuid"}
COUNT: Shape = {"type": "integer", "minimum": 0}
NUMBER: Shape = {"type": "number"}
YES_NO: Shape = {"type": "boolean"}
# Instants that are asked for may leave the offset out; a period's ends may be days.
ASKED_INSTANT: Shape = {
    "type": "string",
    "description": "ISO 8601; without an offset it is plant time",
    "examples": ["2026-03-29T06:15:00Z", "2026-03-29T08:15"],
}
ASKED_MOMENT: Shape = {
    "type": "string",
    "description": "an instant as above, or a day of the plant's clock",
    "examples": ["2026-03-29T06:15:00Z", "2026-03-29"],
}
_MARK = "tracelog_call"


def words(*known: str) -> Shape:
    """One of few words."""
    return {"type": "string", "enum": list(known)}


def maybe(shape: Shape) -> Shape:
    """A value that may not be known."""
    return {"anyOf": [shape, {"type": "null"}]}


def many(shape: Shape, **bounds: Any) -> Shape:
    """An array."""
    return {"type": "array", "items": shape, **bounds}


def fields(shapes: Mapping[str, Shape]) -> Shape:
    """An object with at least these fields."""
    return {"type": "object", "properties": dict(shapes), "required": list(shapes)}


def by_name(shape: Shape) -> Shape:
    """An object whose names are data, each with a value of one shape."""
    return {"type": "object", "additionalProperties": shape}


@dataclass(frozen=True)
class Asked:
    """One parameter of a call.

    `place` is ``query`` or ``path``; `several`: it may be given more than once.
    """

    name: str
    shape: Shape
    about: str
    place: str = "query"
    several: bool = False


@dataclass(frozen=True)
class Call:
    """What a call takes and answers.

    Attributes:
        about: one sentence.
        answers: status to shape, for the calls that succeed.
        asked: its parameters.
        body: the fact or the shape that is sent, None if nothing is.
        is_collection: one fact is sent, or an array of them.
        in_address: fields of the body's fact that the address gives.
        problems: statuses with which it may fail, beside those of every call.
        media_type: of what it answers.
    """

    about: str
    answers: Mapping[int, Shape]
    asked: tuple[Asked, ...] = ()
    body: type[Fact] | Shape | None = None
    is_collection: bool = False
    in_address: tuple[str, ...] = ()
    problems: tuple[int, ...] = field(default=())
    media_type: str = "application/json"


def described(call: Call) -> Callable[[View], View]:
    """Describe a view of the API, below its permission."""

    def mark(view: View) -> View:
        setattr(view, _MARK, call)
        return view

    return mark


def call_of(view: Callable[..., Any]) -> Call | None:
    """How a view was described, None if it was not."""
    found: Call | None = getattr(view, _MARK, None)
    return found


def answers_with(shape: Shape) -> Mapping[int, Shape]:
    """The answers of a call that reads."""
    return {200: shape}


FAULTS = many(fields({"field": TEXT, "sentence": TEXT}))
PROBLEM_SHAPE: Shape = {
    "type": "object",
    "description": "A problem (RFC 9457).",
    "properties": {
        "type": TEXT,
        "title": TEXT,
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "what is wrong and what would be right"},
        "faults": {**FAULTS, "description": "what is wrong, field by field"},
        "index": {"type": "integer", "description": "which item of the array, counted from 0"},
        "results": {
            "type": "array",
            "description": "for an array that was not kept: each item, in order",
            "items": {
                "anyOf": [
                    {"$ref": "#/components/schemas/Result"},
                    {"$ref": "#/components/schemas/Problem"},
                ]
            },
        },
    },
    "required": ["type", "title", "status", "detail"],
}
RESULT_SHAPE: Shape = {
    "type": "object",
    "description": (
        "What became of one fact. `good`: right by itself, in an array that was not kept."
    ),
    "properties": {
        "status": words("created", "unchanged", "completed", "changed", "good"),
        "id": ID,
        "key": {"type": "object", "description": "what tells it from others, by field"},
    },
    "required": ["status"],
}
RESULT: Shape = {"$ref": "#/components/schemas/Result"}
# What a call answers that takes one object: new, or there already.
KEPT_ONE: dict[int, Shape] = {201: RESULT, 200: RESULT}
PROBLEM: Shape = {"$ref": "#/components/schemas/Problem"}
KEEP_GOOD = Asked(
    "keep_good",
    words("1", "0", "yes", "no", "true", "false"),
    "keep the good items of an array although others are refused; the answer is then 200",
)


def collection(fact: type[Fact], about: str) -> Call:
    """The description of a call that takes one fact or an array of them."""
    one_or_all = {"anyOf": [RESULT, many({"anyOf": [RESULT, PROBLEM]})]}
    return Call(
        about,
        {200: one_or_all, 201: one_or_all},
        asked=(KEEP_GOOD,),
        body=fact,
        is_collection=True,
        problems=(413, 415),
    )
