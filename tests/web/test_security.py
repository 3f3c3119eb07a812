"""Headers on every answer, and nothing inline that they would refuse."""

import re
from pathlib import Path

import pytest
from flask import Flask

from tests.support import tree
from tests.support.site import Cast, Visit
from tracelog.web.request import public
from tracelog.web.security import allow_inline_styles

TEMPLATES = [path for path in tree.files(".html") if path.parts[0] == "templates"]
INLINE = {
    "a style attribute": r"<[a-zA-Z][^>]*\sstyle\s*=",
    "an inline style sheet": r"<style\b",
    "a handler in the markup": r"<[a-zA-Z][^>]*\son[a-z]+\s*=",
    "an inline script": r"<script\b(?![^>]*\bsrc=)",
    "an address that is a script": r"javascript:",
    "an address elsewhere": r"(?:src|href|action)\s*=\s*[\"'](?:https?:)?//",
}


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
@pytest.mark.parametrize(
    "path", ["/sign-in", "/me", "/nothing", "/api/v1/health/live", "/api/v1/x"]
)
def test_every_answer_carries_the_headers(visit: Visit, cast: Cast, path: str) -> None:
    if path == "/me":
        cast.sign_in(visit, "operator")
    headers = visit.get(path).headers
    policy = dict(part.split(" ", 1) for part in headers["Content-Security-Policy"].split("; "))
    assert policy["default-src"] == "'self'"
    assert policy["script-src"] == "'self'"
    assert policy["style-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["object-src"] == policy["base-uri"] == "'none'"
    assert policy["form-action"] == "'self'"
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["X-Frame-Options"] == "DENY"
    assert headers["Referrer-Policy"] == "same-origin"
    assert headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_only_a_page_that_asks_for_it_may_set_styles_by_script(
    application: Flask, visit: Visit
) -> None:
    def page() -> str:
        allow_inline_styles()
        return "<p>a chart</p>"

    application.add_url_rule("/chart", "chart", public(page))
    assert (
        "style-src 'self' 'unsafe-inline'" in visit.get("/chart").headers["Content-Security-Policy"]
    )
    assert "unsafe-inline" not in visit.get("/sign-in").headers["Content-Security-Policy"]


@pytest.mark.parametrize("path", TEMPLATES, ids=str)
def test_templates_hold_nothing_that_the_browser_would_refuse(path: Path) -> None:
    # What Jinja puts in is not markup of ours; its own tags are taken out first.
    markup = re.sub(r"\{[%#{].*?[%#}]\}", "", tree.text(path), flags=re.DOTALL)
    found = {what for what, pattern in INLINE.items() if re.search(pattern, markup)}
    assert not found


@pytest.mark.parametrize(
    ("markup", "what"),
    [
        ('<p class="x" style="color: red">', "a style attribute"),
        ("<style>p {}</style>", "an inline style sheet"),
        ('<button onclick="go()">', "a handler in the markup"),
        ("<script>go()</script>", "an inline script"),
        ('<script src="https://plant.example/x.js">', "an address elsewhere"),
    ],
)
def test_what_would_be_refused_is_recognised(markup: str, what: str) -> None:
    assert re.search(INLINE[what], markup)
    assert not re.search(INLINE[what], '<p class="on style">one<script src="/x.js"></script>')


@pytest.mark.parametrize("path", TEMPLATES, ids=str)
def test_every_form_that_writes_proves_its_origin(path: Path) -> None:
    forms = re.findall(r'<form\b[^>]*method="post".*?</form>', tree.text(path), re.DOTALL)
    bare = [form[:80] for form in forms if "token()" not in form]
    assert not bare
