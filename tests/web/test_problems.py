"""Errors: a page in the look of the others, or problem details for programs."""

import io

import pytest
from flask import Blueprint, Flask, abort, request

from tests.support.site import Cast, Visit
from tracelog.errors import BadFact, Fault, NotFound
from tracelog.web.application import LARGEST_REQUEST_BYTES
from tracelog.web.problems import sentence_for
from tracelog.web.request import permit, public

STATUSES = [400, 401, 403, 404, 405, 409, 413, 415, 422, 429, 500, 503]
pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


@pytest.fixture
def trial(application: Flask) -> Flask:
    """The application with views that fail."""
    pages = Blueprint("trial", __name__)

    for prefix in ("", "/api/v1"):

        @pages.get(f"{prefix}/fail/<int:status>", endpoint=f"fail{prefix.replace('/', '')}")
        @public
        def fail(status: int) -> str:
            abort(status)

        @pages.get(f"{prefix}/fact", endpoint=f"fact{prefix.replace('/', '')}")
        @public
        def fact() -> str:
            raise BadFact((Fault("line", "is missing"), Fault("cans", "'x' is not a number")))

        @pages.get(f"{prefix}/gone", endpoint=f"gone{prefix.replace('/', '')}")
        @public
        def gone() -> str:
            raise NotFound("there is no tool 'R3-<b>'")

        @pages.post(f"{prefix}/take", endpoint=f"take{prefix.replace('/', '')}")
        @permit("log entry")
        def take() -> str:
            return str(len(request.get_data()) + len(request.form))

    application.register_blueprint(pages)
    return application


@pytest.mark.parametrize("status", STATUSES)
def test_every_error_has_a_page_with_one_plain_sentence(
    trial: Flask, visit: Visit, status: int
) -> None:
    answer = visit.get(f"/fail/{status}")
    assert answer.status_code == status
    assert answer.mimetype == "text/html"
    assert sentence_for(status) in answer.text
    assert answer.text.count("<h1>") == 1
    assert f"Status {status}" in answer.text
    assert "Traceback" not in answer.text


@pytest.mark.parametrize("status", STATUSES)
def test_every_error_of_the_api_is_problem_details(trial: Flask, visit: Visit, status: int) -> None:
    answer = visit.get(f"/api/v1/fail/{status}")
    assert answer.status_code == status
    assert answer.content_type == "application/problem+json"
    body = answer.get_json()
    assert body["status"] == status
    assert body["type"] == "about:blank"
    assert body["title"]
    assert body["detail"] == sentence_for(status)


def test_sentences_differ_and_are_whole(trial: Flask) -> None:
    with trial.test_request_context():
        sentences = [sentence_for(status) for status in STATUSES]
    assert len(set(sentences)) == len(STATUSES)
    assert all(sentence[0].isupper() and sentence.endswith(".") for sentence in sentences)


def test_a_faulty_fact_is_told_field_by_field(trial: Flask, visit: Visit) -> None:
    page = visit.get("/fact")
    assert page.status_code == 422
    assert "line: is missing" in page.text
    assert "cans: &#39;x&#39; is not a number" in page.text
    body = visit.get("/api/v1/fact").get_json()
    assert body["faults"] == [
        {"field": "line", "sentence": "is missing"},
        {"field": "cans", "sentence": "'x' is not a number"},
    ]


def test_what_was_sent_is_shown_as_text(trial: Flask, visit: Visit) -> None:
    page = visit.get("/gone")
    assert page.status_code == 404
    assert "There is no tool &#39;R3-&lt;b&gt;&#39;." in page.text
    assert visit.get("/api/v1/gone").get_json()["detail"] == "There is no tool 'R3-<b>'."


def test_what_is_not_there_and_cannot_be_done_is_told(visit: Visit) -> None:
    assert visit.get("/nothing-here").status_code == 404
    assert visit.get("/api/v1/nothing-here").get_json()["status"] == 404
    answer = visit.client.delete("/sign-in")
    assert answer.status_code == 405
    assert set(answer.headers["Allow"].split(", ")) >= {"GET", "POST"}


def test_what_is_too_large_is_refused(trial: Flask, visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "operator")
    visit.get("/me")
    proof = {"X-CSRFToken": visit._proof}
    body = io.BytesIO(b"x" * (LARGEST_REQUEST_BYTES + 1))
    answer = visit.client.post("/api/v1/take", input_stream=body, headers=proof)
    assert answer.status_code == 413
    assert "at most 16 MB" in answer.get_json()["detail"]
    assert visit.post("/take", note="x" * 2_000_000).status_code == 413


def test_a_stranger_is_led_to_sign_in_and_back(visit: Visit) -> None:
    answer = visit.get("/accounts?page=2&name=a%20b")
    assert answer.status_code == 302
    assert answer.location == "/sign-in?next=/accounts?page%3D2%26name%3Da%2520b"
