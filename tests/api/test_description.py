"""The description of the API is whole, and what the API does is what it says."""

from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from flask import Flask

from tests.api.facts import TAKEN
from tests.api.plant import Program, Site, at
from tests.fuzz.api_calls import call_at_random, machine_of, quickly, read_by_others
from tests.support.databases import Kind
from tests.support.site import application_on
from tracelog.db import make_engine
from tracelog.people.permissions import EVERY_PERMISSION
from tracelog.web.openapi import description, routes_of
from tracelog.web.request import permission_of
from tracelog.web.shapes import call_of

PAGES = {"/api/v1/"}  # what people read there
# For each call and engine; `python -m tests.bench fuzz --target api` asks more.
EXAMPLES = 4
CHAINS, STEPS = 12, 6
DIALECT = "https://json-schema.org/draft/2020-12/schema"


@lru_cache(maxsize=1)
def _app() -> Flask:
    """The application; its description asks no database."""
    return application_on(make_engine("sqlite://"), Path())


@pytest.fixture(scope="module")
def app() -> Flask:
    return _app()


@pytest.fixture(scope="module")
def described(app: Flask) -> dict[str, Any]:
    found: dict[str, Any] = app.test_client().get("/api/v1/openapi.json").json
    return found


def test_every_call_is_described(app: Flask, described: Mapping[str, Any]) -> None:
    there = {(route.path, route.method.lower()) for route in routes_of(app)}
    told = {
        (path, method) for path, operations in described["paths"].items() for method in operations
    }
    assert told == {(path, method) for path, method in there if path not in PAGES}
    assert len(told) >= 20


def test_a_call_that_is_not_described_shows_itself(
    app: Flask, described: Mapping[str, Any]
) -> None:
    (route,) = [route for route in routes_of(app) if route.path == "/api/v1/"]
    assert call_of(route.view) is None
    assert "/api/v1/" not in described["paths"]


def test_every_call_has_a_permission_or_is_meant_for_anybody(app: Flask) -> None:
    for route in routes_of(app):
        wanted = permission_of(route.view)
        assert wanted in EVERY_PERMISSION or route.path in {
            "/api/v1/",
            "/api/v1/openapi.json",
            "/api/v1/health/live",
            "/api/v1/health/ready",
        }


def test_calls_that_write_ask_for_a_token_or_for_proof_of_origin(
    described: Mapping[str, Any],
) -> None:
    writing = [one["post"] for one in described["paths"].values() if "post" in one]
    # Beside those that take arrays, there are some that take one object.
    assert len(writing) > len(TAKEN) + 5
    for operation in writing:
        assert operation["security"] == [{"token": []}, {"session": [], "proof": []}]
        of_bodies = {"413", "415", "422"} if "requestBody" in operation else set()
        problems = {"400", "401", "403", "409", "500", "503"} | of_bodies
        assert problems <= set(operation["responses"])


@pytest.mark.parametrize("call", TAKEN, ids=lambda call: call.path[1:])
def test_facts_are_described_field_by_field(described: Mapping[str, Any], call: Any) -> None:
    body = described["paths"][f"/api/v1{call.path}"]["post"]["requestBody"]["content"]
    one, many = body["application/json"]["schema"]["anyOf"]
    assert many == {"type": "array", "items": one, "maxItems": 10_000}
    shape = described["components"]["schemas"][one["$ref"].rpartition("/")[2]]
    assert set(shape["properties"]) == set(call.fact.model_fields)
    fields = call.fact.model_fields
    assert set(shape["required"]) == {name for name in fields if fields[name].is_required()}


@pytest.mark.parametrize("call", TAKEN, ids=lambda call: call.path[1:])
def test_facts_that_are_right_fit_the_description(described: Mapping[str, Any], call: Any) -> None:
    body = described["paths"][f"/api/v1{call.path}"]["post"]["requestBody"]["content"]
    validator = in_document(described, body["application/json"]["schema"])
    for sent in (call.good(1), [call.good(1), call.good(2)]):
        validator.validate(sent)
    assert not validator.is_valid({**call.good(1), "colour": "red"})


def in_document(document: Mapping[str, Any], shape: Mapping[str, Any], strict: bool = False) -> Any:
    """A validator of one shape of the document.

    Args:
        document: the description.
        shape: what is described.
        strict: whether fields that are not described are faults.
    """
    schemas = closed(document["components"]["schemas"]) if strict else None
    whole = {
        **(closed(shape) if strict else shape),
        "components": {"schemas": schemas or document["components"]["schemas"]},
    }
    return jsonschema_rs.Draft202012Validator(whole, validate_formats=True)


def closed(shape: Any) -> Any:
    """The same shape, in which objects have no other fields than those described."""
    if isinstance(shape, list):
        return [closed(one) for one in shape]
    if not isinstance(shape, dict):
        return shape
    found = {name: closed(value) for name, value in shape.items()}
    if "properties" in shape and isinstance(shape.get("type"), str):
        found.setdefault("additionalProperties", False)
    return found


@pytest.fixture(scope="module")
def history(site: Site) -> Iterator[Program]:
    """Something of everything."""
    program = site.program()
    for call in TAKEN:
        assert program.post(call.path, [call.good(n) for n in range(6)]).status_code == 201
    program.post("/defects", {"seen_at": at(3), "dome_code": "1-?", "defect": "split"})
    return program


READS = (
    ("/defects", "/defects"),
    ("/defects/{entry_id}", f"/defects/{TAKEN[0].good(1)['id']}"),
    ("/machines", "/machines"),
    ("/machines/{line}/{station}/{number}", "/machines/1/bodymaker/1"),
    ("/counter-questions", "/counter-questions?settled=1"),
    ("/forecast", f"/forecast?as_of={at(3)}"),
    ("/trace", f"/trace?code=1-1&at={at(4)}"),
    ("/trace", f"/trace?code=1-?&at={at(4)}"),
    ("/trace", "/trace?tool=T-1"),
    ("/trace", "/trace?coil=K-1"),
    ("/rates", "/rates"),
    ("/rates", "/rates?by=defect&evidence=samples"),
    ("/charts", "/charts?machine=1-1&from=2026-03-01&to=2026-03-04"),
    ("/health/live", "/health/live"),
    ("/health/ready", "/health/ready"),
)


@pytest.mark.parametrize(("path", "asked"), READS, ids=[asked[1:] for _path, asked in READS])
def test_answers_have_the_fields_that_are_described_and_no_others(
    described: Mapping[str, Any], history: Program, path: str, asked: str
) -> None:
    answer = history.get(asked)
    assert answer.status_code == 200, answer.text
    responses = described["paths"][f"/api/v1{path}"]["get"]["responses"]
    shape = responses["200"]["content"]["application/json"]["schema"]
    in_document(described, shape, strict="fraction" not in answer.text).validate(answer.json)


def test_a_correction_and_its_history_fit_the_description(
    described: Mapping[str, Any], history: Program
) -> None:
    entry = TAKEN[0].good(2)["id"]
    answer = history.post(f"/defects/{entry}/corrections", {"reason": "r", "values": {"cans": 1}})
    result = described["components"]["schemas"]["Result"]
    in_document(described, result, strict=True).validate(answer.json)
    shape = described["paths"]["/api/v1/defects/{entry_id}"]["get"]["responses"]["200"]
    record = history.get(f"/defects/{entry}").json
    assert record["history"]
    content = shape["content"]["application/json"]["schema"]
    in_document(described, content, strict=True).validate(record)


def test_problems_and_results_fit_the_description(
    described: Mapping[str, Any], program: Program
) -> None:
    problem = in_document(described, described["components"]["schemas"]["Problem"], strict=True)
    refused = program.post("/readings", [{"line": 1}, {}, {"line": 0, "strokes": "x"}])
    for answer in (refused, program.get("/defects", limit="x"), program.get("/nothing")):
        assert problem.is_valid(answer.json), answer.text


def test_the_description_is_openapi_that_others_read(
    app: Flask, described: Mapping[str, Any]
) -> None:
    operations = [one.ok() for one in read_by_others(app).get_all_operations()]
    paths = described["paths"]
    told = {(path, method) for path, operations in paths.items() for method in operations}
    # The reader leaves out where it read the description itself.
    read = {(one.path, one.method) for one in operations}
    assert read == told - {("/api/v1/openapi.json", "get")}
    names = [one["operationId"] for operations in paths.values() for one in operations.values()]
    assert len(names) == len(set(names))


def test_every_schema_of_the_description_is_one(described: Mapping[str, Any]) -> None:
    for schema in described["components"]["schemas"].values():
        assert jsonschema_rs.meta.is_valid({"$schema": DIALECT, **schema})
    assert described["openapi"] == "3.1.0"


def test_what_a_call_answers_leads_on_to_the_calls_below_it(described: Mapping[str, Any]) -> None:
    paths = described["paths"]
    named = {one["operationId"] for operations in paths.values() for one in operations.values()}
    linked: dict[str, dict[str, Any]] = {}
    for path, operations in paths.items():
        for answer in operations.get("post", {"responses": {}})["responses"].values():
            linked |= {path: answer["links"]} if "links" in answer else {}
    assert all(link["operationId"] in named for links in linked.values() for link in links.values())
    entry = {"entry_id": "$response.body#/id"}
    assert [one["parameters"] for one in linked["/api/v1/defects"].values()] == [entry, entry]
    (tool,) = linked["/api/v1/tools"].values()
    assert tool["parameters"] == {"serial": "$response.body#/key/serial"}
    assert "/api/v1/readings" not in linked


@pytest.fixture(scope="module")
def schema(site: Site) -> Any:
    return read_by_others(site.app)


def _operations() -> list[tuple[str, str]]:
    paths = description(_app())["paths"]
    return [(path, method) for path, operations in paths.items() for method in operations]


@pytest.mark.parametrize(("path", "method"), _operations())
def test_whatever_comes_is_answered_as_described(
    schema: Any, history: Program, database_kind: Kind, path: str, method: str
) -> None:
    # What is allowed goes on to the database, and PostgreSQL takes less of it; what is not is
    # refused before any is asked.
    mode = "allowed" if database_kind == "postgresql" else "not allowed"
    made = call_at_random(schema[path][method.upper()], history.headers, mode, EXAMPLES)
    assert made > 0 or path.startswith("/api/v1/health") or path == "/api/v1/openapi.json"


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_calls_that_go_on_with_what_others_answered_are_answered_as_described(
    site: Site, schema: Any
) -> None:
    told: set[tuple[str, int]] = set()

    class Calls(machine_of(schema, site)):  # type: ignore[misc]
        def after_call(self, response: Any, case: Any) -> None:
            super().after_call(response, case)
            told.add((case.operation.label, response.status_code))

    Calls.run(settings=quickly(CHAINS, stateful_step_count=STEPS))
    assert len({label for label, _status in told}) > 10
