"""What programs ask: machines, the forecast, traces, rates, health; who may, and what is wrong."""

from collections.abc import Iterator
from typing import Any

import pytest
from sqlalchemy import text

from tests.api.plant import Program, Site, at
from tests.support.statements import Statements
from tracelog.people.permissions import ROLES

READS = (
    "/defects",
    "/machines",
    "/machines/1/bodymaker/1",
    "/forecast",
    "/service-plan",
    "/service-pins",
    "/planning",
    "/tools",
    "/tools/T-1",
    "/trace?code=1-1",
    "/trace?machine=1-1",
    "/rates",
    "/charts",
)


@pytest.fixture(scope="module")
def history(site: Site) -> Iterator[Program]:
    """Counters, a service, a tool, a coil, a pallet, an entry and a jump that nobody explained."""
    program = site.program()
    hour = 60
    readings = [
        {"line": 1, "bodymaker": 1, "read_at": at(hour * n), "strokes": 1000 + 12_000 * n}
        for n in range(30)
    ]
    readings.append({"line": 1, "bodymaker": 1, "read_at": at(hour * 30), "strokes": 50})
    readings += [
        {"line": 1, "bodymaker": 2, "read_at": at(hour * n), "strokes": 36_000 * n} for n in (0, 10)
    ]
    sent: list[tuple[str, Any]] = [
        ("/readings", readings),
        ("/services", {"line": 1, "bodymaker": 1, "service": "minor", "done_at": at(hour * 10)}),
        (
            "/tool-fits",
            {
                "serial": "T-1",
                "line": 1,
                "bodymaker": 1,
                "position": "ring-1",
                "fitted_at": at(hour * 5),
            },
        ),
        ("/coil-runs", {"coil": "K-1", "line": 1, "started_at": at(0), "ended_at": at(hour * 20)}),
        ("/pallets", {"pallet": "P-1", "line": 1, "started_at": at(hour * 13), "cans": 8000}),
        ("/changes", {"line": 1, "at": at(hour * 11), "kind": "coolant"}),
        (
            "/defects",
            {
                "seen_at": at(hour * 12),
                "dome_code": "1-1",
                "defect": "split",
                "cans": 2,
                "found_at": "trimmer",
            },
        ),
    ]
    for path, facts in sent:
        answer = program.post(path, facts)
        assert answer.status_code == 201, answer.text
    return program


@pytest.mark.parametrize("path", READS)
def test_every_role_may_read_and_strangers_may_not(site: Site, history: Program, path: str) -> None:
    before = site.counted()
    for role in ROLES:
        assert site.program(role).get(path).status_code == 200
    answer = site.app.test_client().get(f"/api/v1{path}")
    assert (answer.status_code, answer.mimetype) == (401, "application/problem+json")
    assert site.counted() == before


@pytest.mark.parametrize("path", READS)
def test_a_signed_in_session_may_read(site: Site, history: Program, path: str) -> None:
    visit = site.visit("operator")
    assert visit.client.get(f"/api/v1{path}").status_code == 200


@pytest.mark.parametrize("path", READS)
def test_parameters_that_nobody_knows_are_told(history: Program, path: str) -> None:
    answer = history.get(path.partition("?")[0], colour="red")
    assert answer.status_code == 400
    (fault,) = [fault for fault in answer.json["faults"] if fault["field"] == "colour"]
    assert fault["sentence"].startswith("'colour' is not known here")


@pytest.mark.parametrize("path", READS)
def test_as_of_is_an_instant(history: Program, path: str) -> None:
    answer = history.get(f"{path}{'&' if '?' in path else '?'}as_of=soon")
    assert answer.status_code == 400
    (fault,) = answer.json["faults"]
    assert fault["field"] == "as_of"


@pytest.mark.parametrize("path", READS)
def test_an_empty_database_says_that_there_is_no_plant(
    application: Any, own_engine: Any, cast: Any, visit: Any, path: str
) -> None:
    cast.sign_in(visit, "operator")
    answer = visit.get(f"/api/v1{path}")
    assert (answer.status_code, answer.mimetype) == (409, "application/problem+json")
    assert "holds no plant yet" in answer.json["detail"]


# --- machines


def test_machines_come_in_order_with_their_state(history: Program) -> None:
    answer = history.get("/machines", as_of=at(60 * 29)).json
    names = [machine["machine"] for machine in answer["machines"]]
    assert names == ["1-1", "1-2", "1-3", "1 trimmer 1", "2-1", "2-2", "2-3"]
    assert answer["as_of"] == at(60 * 29)
    first = answer["machines"][0]
    assert first["strokes_total"] == 29 * 12_000
    assert first["last_reading"] == {"read_at": at(60 * 29), "strokes": 1000 + 29 * 12_000}
    (service,) = first["services"]
    assert service["done_at"] == at(60 * 10)
    assert (service["strokes_since"], service["interval_strokes"]) == (19 * 12_000, 25_000_000)
    assert service["share_used"] == pytest.approx(19 * 12_000 / 25_000_000)
    (tool,) = first["tools"]
    assert (tool["serial"], tool["position"]) == ("T-1", "ring-1")
    assert (tool["strokes_on_tool"], tool["strokes_here"]) == (24 * 12_000, 24 * 12_000)
    assert first["counter_questions"] == []


def test_a_jump_that_nobody_explained_stands_at_the_machine(history: Program) -> None:
    (question,) = history.get("/machines/1/bodymaker/1").json["counter_questions"]
    assert question == {
        "from": at(60 * 29),
        "to": at(60 * 30),
        "strokes_from": 1000 + 29 * 12_000,
        "strokes_to": 50,
    }


def test_one_machine_is_the_same_alone_and_among_all(history: Program) -> None:
    every = history.get("/machines", as_of=at(1800)).json["machines"]
    for machine in every:
        path = f"/machines/{machine['line']}/{machine['station']}/{machine['number']}"
        assert history.get(path, as_of=at(1800)).json == machine


def test_a_machine_without_a_counter_has_no_strokes(history: Program) -> None:
    trimmer = history.get("/machines/1/trimmer/1").json
    assert (trimmer["strokes_total"], trimmer["last_reading"], trimmer["tools"]) == (None, None, [])


@pytest.mark.parametrize(
    "path",
    [
        "/machines/9/bodymaker/1",
        "/machines/1/bodymaker/9",
        "/machines/1/necker/1",
        "/machines/one/bodymaker/1",
        "/machines/1/bodymaker/99999999999999999999",
    ],
)
def test_a_machine_that_the_plant_does_not_have_is_not_found(history: Program, path: str) -> None:
    answer = history.get(path)
    assert (answer.status_code, answer.mimetype) == (404, "application/problem+json")


def test_the_number_of_statements_does_not_grow_with_the_plant(
    site: Site, history: Program
) -> None:
    """Seven machines or many more: the same statements, since none is asked by itself."""
    statements = Statements(site.engine)

    def counted() -> list[int]:
        numbers = []
        for path in ("/machines", "/forecast", "/defects", "/trace?machine=1-1"):
            with statements.counted() as sent:
                assert history.get(path).status_code == 200
            numbers.append(len(sent))
        return numbers

    before = counted()
    with site.engine.begin() as connection:
        (line,) = connection.execute(text("SELECT id FROM lines WHERE line = 2")).one()
        for number in range(100, 140):
            connection.execute(
                text(
                    "INSERT INTO machines (id, line_id, station, number)"
                    " VALUES (:id, :line, 'bodymaker', :number)"
                ),
                {"id": _id(site, number), "line": line, "number": number},
            )
    assert counted() == before
    statements.close()
    with site.engine.begin() as connection:
        connection.execute(text("DELETE FROM machines WHERE number >= 100"))


def _id(site: Site, number: int) -> str:
    text_id = f"0198c1f07a4e7cc180000000{number:08d}"
    if site.engine.dialect.name == "sqlite":
        return text_id
    return f"{text_id[:8]}-{text_id[8:12]}-{text_id[12:16]}-{text_id[16:20]}-{text_id[20:]}"


# --- forecast


def test_the_forecast_names_each_machine_and_service(history: Program) -> None:
    answer = history.get("/forecast", as_of=at(60 * 29)).json
    (row,) = [row for row in answer["machines"] if row["machine"] == "1-1"]
    assert (row["service"], row["strokes_since"]) == ("minor", 19 * 12_000)
    assert len(answer["machines"]) == 6


# --- traces


def test_a_dossier_says_who_made_the_can_and_with_what(history: Program) -> None:
    answer = history.get("/trace", code="01/01", at=at(60 * 12)).json
    assert (answer["code"], answer["machine"], answer["line"]) == ("1-1", "1-1", 1)
    assert answer["candidates"] == [{"machine": "1-1", "probability": 1.0}]
    assert answer["at"] == at(60 * 12)
    assert answer["strokes_total"] == 12 * 12_000
    assert answer["strokes_since_service"] == {"minor": 2 * 12_000}
    assert [tool["serial"] for tool in answer["tools"]] == ["T-1"]
    assert answer["tools"][0]["strokes_on_tool"] == 7 * 12_000
    assert [coil["coil"] for coil in answer["coils"]] == ["K-1"]
    assert (answer["shift"], answer["crew"]) == ("night", "B")
    assert [entry["defect"] for entry in answer["defects_nearby"]] == ["split"]
    assert [change["kind"] for change in answer["changes"]] == ["coolant"]
    assert [pallet["pallet"] for pallet in answer["pallets"]] == ["P-1"]


def test_a_partial_code_has_candidates_that_add_up_to_one(history: Program) -> None:
    answer = history.get("/trace", code="1-?", at=at(60 * 5)).json
    assert answer["machine"] is None
    shares = {one["machine"]: one["probability"] for one in answer["candidates"]}
    assert shares == {"1-1": 0.25, "1-2": 0.75, "1-3": 0.0}


def test_the_reverse_says_what_a_tool_a_coil_or_a_machine_made(history: Program) -> None:
    tool = history.get("/trace", tool="T-1", to=at(60 * 29)).json
    assert (tool["kind"], tool["name"], tool["strokes"]) == ("tool", "T-1", 24 * 12_000)
    assert [use["machine"] for use in tool["uses"]] == ["1-1"]
    machine = history.get("/trace", machine="1-1", **{"from": at(0), "to": at(60 * 10)}).json
    assert (machine["kind"], machine["strokes"]) == ("machine", 10 * 12_000)
    coil = history.get("/trace", coil="K-1").json
    assert {use["machine"] for use in coil["uses"]} == {"1-1", "1-2", "1-3"}


@pytest.mark.parametrize(
    ("asked", "status", "field", "words"),
    [
        ({}, 400, "code", "is missing"),
        ({"at": at(1)}, 400, "code", "is missing"),
        ({"code": "three"}, 400, "code", "is not a dome code"),
        ({"code": "1-1", "at": "noon"}, 400, "at", "is not an instant"),
        ({"code": "1-1", "at": "2026-03-29T02:30"}, 400, "at", "does not exist"),
        ({"code": "1-1", "tool": "T-1"}, 400, "tool", "does not go with the others"),
        ({"tool": "T-1", "machine": "1-1"}, 400, "machine", "does not go with the others"),
        ({"code": "1-1", "from": at(0)}, 400, "from", "goes with a tool"),
        ({"machine": "1-1", "from": at(9), "to": at(3)}, 400, "to", "is not after from"),
        ({"machine": "1-1", "from": "2190-01-01"}, 400, "from", "is not before the end"),
        ({"machine": "9-9"}, 400, "machine", "there is no line 9"),
        ({"code": "1-1", "pallet": "none"}, 404, "pallet", "there is no pallet"),
        ({"code": "1-1", "coil": "none"}, 404, "coil", "there is no run of coil"),
        ({"tool": "none"}, 404, "tool", "was not in use"),
        ({"tool": "a\u0000b"}, 400, "tool", "control character"),
        ({"code": "1-1", "pallet": "a\u0000b"}, 400, "pallet", "control character"),
        ({"code": "1-1", "at": at(0), "pallet": "P-1"}, 400, "at", "do not go together"),
    ],
)
def test_a_trace_that_cannot_be_asked_is_told(
    history: Program, asked: dict[str, str], status: int, field: str, words: str
) -> None:
    answer = history.get("/trace", **asked)
    assert (answer.status_code, answer.mimetype) == (status, "application/problem+json")
    told = {fault["field"]: fault["sentence"] for fault in answer.json["faults"]}
    assert words in told[field]


def test_readings_that_came_later_are_not_known_yet(history: Program) -> None:
    """Machine 1-2 was read at the start and ten hours later."""
    between = at(60 * 5)
    then = {"as_of": between}
    machine = history.get("/machines/1/bodymaker/2", **then).json
    assert (machine["strokes_total"], machine["services"][0]["strokes_since"]) == (0, 0)
    period = {"machine": "1-2", "from": at(0), "to": between}
    assert history.get("/trace", **period, **then).json["strokes"] == 0
    assert history.get("/trace", **period).json["strokes"] == 5 * 36_000
    can = {"code": "1-2", "at": between}
    known, later = history.get("/trace", **can, **then).json, history.get("/trace", **can).json
    assert (known["strokes_total"], known["strokes_since_service"]) == (0, {"minor": 0})
    assert (later["strokes_total"], later["strokes_since_service"]) == (
        5 * 36_000,
        {"minor": 5 * 36_000},
    )


# --- rates


def test_rates_and_charts_answer_in_utc(history: Program) -> None:
    period = {"from": "2026-03-02", "to": "2026-03-02"}
    rates = history.get("/rates", defect="split", line=1, **period).json
    (row,) = [row for row in rates["rates"] if row["machine"] == "1-1"]
    assert (row["cans"], row["from"], row["to"]) == (
        2,
        "2026-03-01T23:00:00Z",
        "2026-03-02T23:00:00Z",
    )
    assert row["per_million"] == pytest.approx(2e6 / row["strokes"])
    chart = history.get("/charts", machine="1-1", **period).json
    assert [point["count"] for point in chart["points"]] == [2]


# --- without an account


@pytest.mark.parametrize("path", ["/health/live", "/health/ready", "/openapi.json"])
def test_what_needs_no_account_answers_anybody(site: Site, path: str) -> None:
    answer = site.app.test_client().get(f"/api/v1{path}")
    assert (answer.status_code, answer.mimetype) == (200, "application/json")


def test_a_database_without_tables_is_not_ready(empty_database_url: str, tmp_path: Any) -> None:
    from tests.support.databases import open_engine
    from tests.support.site import application_on

    engine = open_engine(empty_database_url)
    client = application_on(engine, tmp_path).test_client()
    assert client.get("/api/v1/health/live").status_code == 200
    answer = client.get("/api/v1/health/ready")
    assert (answer.status_code, answer.mimetype) == (503, "application/problem+json")
    engine.dispose()


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [("GET", "/nothing", 404), ("DELETE", "/readings", 405), ("PUT", "/defects", 405)],
)
def test_what_is_not_there_is_a_problem_too(
    site: Site, method: str, path: str, status: int
) -> None:
    answer = site.app.test_client().open(f"/api/v1{path}", method=method)
    assert (answer.status_code, answer.mimetype) == (status, "application/problem+json")
    assert answer.json["status"] == status
