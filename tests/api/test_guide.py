"""The guide to the API names every call, and what it shows works."""

import json
import re

import pytest

from tests.api.plant import Site
from tests.support import tree
from tracelog.web.openapi import description

GUIDE = "\n".join(
    (tree.ROOT / "docs" / name).read_text(encoding="utf-8") for name in ("api.md", "api-asking.md")
)
SENT = re.findall(r"^### `POST ([^`]+)`\n\n```json\n(.*?)```", GUIDE, flags=re.M | re.S)
# Calls whose answer's id stands in the address of the next.
MAKES = {
    "/defects": "entry_id",
    "/cases": "case_id",
    "/holds": "hold_id",
    "/complaints": "complaint_id",
    "/sequence-checks": "check_id",
    "/handover/notes": "note_id",
}
# Calls that belong to quality.
QUALITY = ("/holds", "/complaints")
ASKED = re.findall(r"`(/[a-z]+[^`\s]*\?[^`]*|/machines/1/[^`]*)`", GUIDE)


def test_the_guide_names_every_call(site: Site) -> None:
    named = set(re.findall(r"`(GET|POST) (/[^`]+)`", GUIDE))
    there = {
        (method.upper(), path.removeprefix("/api/v1"))
        for path, operations in description(site.app)["paths"].items()
        for method in operations
    }
    assert named == there


def test_the_guide_explains_every_status_that_is_described(site: Site) -> None:
    told = set(re.findall(r"^\| (\d{3})", GUIDE, flags=re.M)) | {"500", "503"}
    for operations in description(site.app)["paths"].values():
        for operation in operations.values():
            assert set(operation["responses"]) - {"200", "201"} <= told


def test_everything_that_the_guide_sends_is_kept_and_everything_it_asks_is_answered(
    site: Site,
) -> None:
    program, quality = site.program(), site.program("quality")
    supervisor = site.program("supervisor")
    assert len(SENT) >= 17
    made: dict[str, str] = {}
    for path, body in SENT:
        # Stock and handing over are no business of who administers.
        who = quality if path.startswith(QUALITY) else program
        who = supervisor if path.startswith("/handover/signatures") else who
        answer = who.post(path.format(**made), json.loads(body))
        assert answer.status_code == 201, (path, answer.text)
        if path in MAKES:
            made[MAKES[path]] = answer.json["id"]
    assert len(ASKED) >= 8
    for asked in ASKED:
        answer = program.get(asked)
        assert answer.status_code == 200, (asked, answer.text)


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_the_page_of_calls_names_every_call_and_who_may(site: Site) -> None:
    page = site.app.test_client().get("/api/v1/")
    assert (page.status_code, page.mimetype) == (200, "text/html")
    for path, operations in description(site.app)["paths"].items():
        for method in operations:
            assert f"<code>{method.upper()} {path}</code>" in page.text
    assert "planner, supervisor" in page.text
