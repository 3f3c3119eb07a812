"""The description of the API (OpenAPI 3.1), made from its routes, and the page that lists them.

Each view is described where it stands (`tracelog.web.shapes.described`); what every call has in
common is added here: who may call it, and how it may fail.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from flask import Blueprint, Flask, Response, current_app, render_template

from tracelog.facts import Fact
from tracelog.language import _
from tracelog.people.permissions import ROLES, may
from tracelog.web.collections import MOST_ITEMS
from tracelog.web.parameters import Parameters
from tracelog.web.request import PUBLIC, permission_of, public
from tracelog.web.shapes import (
    PROBLEM,
    PROBLEM_SHAPE,
    RESULT,
    RESULT_SHAPE,
    Asked,
    Call,
    Shape,
    answers_with,
    call_of,
    described,
    many,
)
from tracelog.web.strict_json import answer_json

PREFIX = "/api/v1"
VERSION = "1"
_IN_PATH = re.compile(r"<(?:\w+:)?(\w+)>")
# How calls that need the database, or a person, may fail, whatever else they do.
_ALWAYS = (400, 401, 403, 409, 500, 503)
_PROBLEMS = {
    400: "A parameter is wrong, what was sent cannot be read, or proof of origin is missing",
    401: "Nobody has signed in, or the token is not known",
    403: "The role does not include this",
    404: "Nothing is kept under that name",
    409: "It contradicts what was accepted before, or there is no plant yet",
    413: "Too large, or an array that is too long",
    415: "Not JSON by its content type",
    422: "A field of what was sent is wrong; `faults` says which and why",
    500: "A fault of ours; nothing was kept",
    503: "The database is busy or out of reach; nothing was kept",
}

openapi = Blueprint("openapi", __name__, url_prefix=PREFIX)


@dataclass(frozen=True)
class Route:
    """One call: its address in the words of OpenAPI, its method, and its view."""

    path: str
    method: str
    view: Callable[..., Any]
    endpoint: str

    @property
    def roles(self) -> list[str]:
        """Roles that may make the call; empty: anybody."""
        wanted = permission_of(self.view) or ""
        return [] if wanted == PUBLIC else [role for role in ROLES if may(role, wanted)]


def routes_of(app: Flask) -> list[Route]:
    """All calls under `/api/v1`, by address and method."""
    found = [
        Route(
            _IN_PATH.sub(r"{\1}", rule.rule),
            method,
            app.view_functions[rule.endpoint],
            rule.endpoint,
        )
        for rule in app.url_map.iter_rules()
        if rule.rule.startswith(f"{PREFIX}/")
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    ]
    return sorted(found, key=lambda route: (route.path, route.method))


@openapi.get("/openapi.json")
@public
@described(Call("This description.", answers_with({"type": "object"})))
def get_description() -> Response:
    """The description as JSON."""
    Parameters(()).finish()
    return answer_json(description(current_app))


@openapi.get("/")
@public
def get_calls() -> str:
    """The page that lists all calls."""
    return render_template("web/calls.html", calls=list(_listed(current_app)))


@dataclass(frozen=True)
class Listed:
    """One call as the page shows it."""

    method: str
    path: str
    about: str
    who: str


def _listed(app: Flask) -> Iterator[Listed]:
    for route in routes_of(app):
        call = call_of(route.view)
        if call is not None:
            who = ", ".join(_(role) for role in route.roles) or _("anybody")
            if len(route.roles) == len(ROLES):
                who = _("all roles")
            yield Listed(route.method, route.path, _(call.about), who)


def description(app: Flask) -> dict[str, Any]:
    """The description of an application's calls as JSON-ready values.

    A view without a description is left out; a test sees to it that there is none.
    """
    schemas: dict[str, Shape] = {"Problem": PROBLEM_SHAPE, "Result": RESULT_SHAPE}
    paths: dict[str, dict[str, Any]] = {}
    routes = routes_of(app)
    for route in routes:
        call = call_of(route.view)
        if call is not None:
            operation = _operation(route, call, schemas)
            _add_links(operation, route, call, routes)
            paths.setdefault(route.path, {})[route.method.lower()] = operation
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "tracelog",
            "version": VERSION,
            "description": (
                "Log what is wrong with cans, send what counters show, and ask which machine,"
                " tools and metal made a can. Instants without an offset are plant time;"
                " null means not known."
            ),
        },
        "servers": [{"url": "/"}],
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "token": {"type": "http", "scheme": "bearer"},
                "session": {"type": "apiKey", "in": "cookie", "name": "tracelog"},
                "proof": {"type": "apiKey", "in": "header", "name": "X-CSRFToken"},
            },
        },
    }


def _operation(route: Route, call: Call, schemas: dict[str, Shape]) -> dict[str, Any]:
    writes = route.method != "GET"
    wanted = permission_of(route.view)
    operation: dict[str, Any] = {
        "operationId": _name_of(route),
        "summary": call.about,
        "parameters": [_parameter(one) for one in call.asked],
        "responses": {
            **{
                str(status): _answer(shape, call.media_type)
                for status, shape in call.answers.items()
            },
            **{str(status): _problem(status) for status in _problems_of(call, wanted)},
        },
        "security": [],
    }
    if wanted != PUBLIC:
        operation["description"] = f"Permission: {wanted} ({', '.join(route.roles)})."
        operation["security"] = [
            {"token": []},
            {"session": [], "proof": []} if writes else {"session": []},
        ]
    if call.body is not None:
        operation["requestBody"] = {"required": True, "content": _body(call, schemas)}
    return operation


def _add_links(operation: dict[str, Any], route: Route, call: Call, routes: list[Route]) -> None:
    """Tell which calls go on with what this one kept: those right below its address.

    The id that it answers stands in their address, or the field of the key that has its name.
    """
    below = re.compile(re.escape(route.path) + r"/\{(\w+)\}(/\w+)*")
    links = {
        _name_of(other): {
            "operationId": _name_of(other),
            "parameters": {found[1]: f"$response.body#/{_answered_as(found[1], call)}"},
        }
        for other in routes
        if (found := below.fullmatch(other.path)) and call_of(other.view) is not None
    }
    for status, shape in call.answers.items():
        if links and route.method == "POST" and _may_be_one(shape):
            operation["responses"][str(status)]["links"] = links


def _name_of(route: Route) -> str:
    return route.endpoint.replace(".", "_")


def _answered_as(name: str, call: Call) -> str:
    is_fact = isinstance(call.body, type)
    return f"key/{name}" if is_fact and name in call.body.key_fields else "id"  # type: ignore[union-attr]


def _may_be_one(shape: Shape) -> bool:
    return RESULT in (shape, *shape.get("anyOf", ()))


def _problems_of(call: Call, wanted: str | None) -> list[int]:
    common = () if wanted == PUBLIC else _ALWAYS
    common = (*common, 422) if call.body is not None else common
    return sorted({*common, *call.problems} - set(call.answers))


def _parameter(asked: Asked) -> dict[str, Any]:
    shape = many(asked.shape) if asked.several else asked.shape
    return {
        "name": asked.name,
        "in": asked.place,
        "required": asked.place == "path",
        "description": asked.about,
        "schema": shape,
    }


def _answer(shape: Shape, media_type: str) -> dict[str, Any]:
    return {"description": "Done", "content": {media_type: {"schema": shape}}}


def _problem(status: int) -> dict[str, Any]:
    return {
        "description": _PROBLEMS[status],
        "content": {"application/problem+json": {"schema": PROBLEM}},
    }


def _body(call: Call, schemas: dict[str, Shape]) -> dict[str, Any]:
    shape = call.body
    if isinstance(shape, type):
        name = shape.__name__
        schemas[name] = fact_shape(shape, call.in_address, schemas)
        shape = {"$ref": f"#/components/schemas/{name}"}
    if call.is_collection:
        shape = {"anyOf": [shape, many(shape or {}, maxItems=MOST_ITEMS)]}
    return {"application/json": {"schema": shape}}


def fact_shape(fact: type[Fact], left_out: tuple[str, ...], schemas: dict[str, Shape]) -> Shape:
    """A fact's model as a schema; words of its own are put beside it in `schemas`.

    Args:
        fact: the model.
        left_out: fields that are given elsewhere.
        schemas: the document's schemas by name, added to.
    """
    shape = fact.model_json_schema(ref_template="#/components/schemas/{model}")
    schemas.update(shape.pop("$defs", {}))
    required = [name for name in shape.get("required", ()) if name not in left_out]
    return {
        "type": "object",
        "description": shape.get("description", ""),
        "properties": {
            name: _field_shape(one, name in required)
            for name, one in shape["properties"].items()
            if name not in left_out
        },
        "required": required,
        "additionalProperties": False,
    }


def _field_shape(shape: Shape, is_required: bool) -> Shape:
    """A field; what is not required may be null, which means not known."""
    kept = {
        name: value
        for name, value in shape.items()
        if name != "title" and not (name == "default" and value is None)
    }
    if is_required or "anyOf" in kept:
        return kept
    default = {"default": kept.pop("default")} if "default" in kept else {}
    return {"anyOf": [kept, {"type": "null"}], **default}
