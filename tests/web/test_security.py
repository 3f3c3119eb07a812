"""Headers on every answer, and nothing inline that they would refuse."""

import re
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
def test_every_answer_carries_the_headers(visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "operator")
    for path in ("/sign-in?with=password", "/me", "/nothing", "/api/v1/health/live", "/api/v1/x"):
        headers = visit.get(path).headers
        policy = dict(part.split(" ", 1) for part in headers["Content-Security-Policy"].split("; "))
        for what in ("default-src", "script-src", "style-src", "form-action"):
            assert policy[what] == "'self'", (path, what)
        for what in ("frame-ancestors", "object-src", "base-uri"):
            assert policy[what] == "'none'", (path, what)
        assert headers["X-Content-Type-Options"] == "nosniff", path
        assert headers["X-Frame-Options"] == "DENY", path
        assert headers["Referrer-Policy"] == "same-origin", path
        assert headers["Cache-Control"] == "no-store", path


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


def test_templates_hold_nothing_that_the_browser_would_refuse() -> None:
    assert len(TEMPLATES) > 100
    found = []
    for path in TEMPLATES:
        # What Jinja puts in is not markup of ours; its own tags are taken out first.
        markup = re.sub(r"\{[%#{].*?[%#}]\}", "", tree.text(path), flags=re.DOTALL)
        found += [f"{path}: {what}" for what, seen in INLINE.items() if re.search(seen, markup)]
    assert found == []


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


def test_every_form_that_writes_proves_its_origin() -> None:
    bare, forms = [], 0
    for path in TEMPLATES:
        for form in re.findall(r'<form\b[^>]*method="post".*?</form>', tree.text(path), re.DOTALL):
            forms += 1
            bare += [f"{path}: {form[:80]}"] if "token()" not in form else []
    assert forms > 50
    assert bare == []
