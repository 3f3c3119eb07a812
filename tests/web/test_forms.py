"""Forms: what was typed stays, and nobody is led astray."""

import uuid
from urllib.parse import urljoin, urlsplit

import pytest
from flask import Flask
from hypothesis import given
from hypothesis import strategies as st

from tracelog.errors import BadFact, Fault
from tracelog.language import in_language
from tracelog.web.forms import Form, asked, posted, safe_next


@pytest.mark.parametrize("target", ["/", "/me", "/machines/3/bodymaker/7?from=2026-03-01#strokes"])
def test_a_place_of_this_site_is_taken(target: str) -> None:
    assert safe_next(target, "/") == target


@pytest.mark.parametrize(
    "target",
    [
        None,
        "",
        "me",
        "//elsewhere.example/",
        "///elsewhere.example",
        "/\\elsewhere.example",
        "\\\\elsewhere.example",
        "https://elsewhere.example/",
        "javascript:alert(1)",
        "/\t/elsewhere.example",
        "/\n/elsewhere.example",
        " //elsewhere.example",
        "/" + "x" * 600,
    ],
)
def test_whatever_might_lead_elsewhere_is_not(target: str | None) -> None:
    assert safe_next(target, "/otherwise") == "/otherwise"


@given(
    st.text(alphabet=st.sampled_from("/\\.:@a?#%\t\n 2f[]"), max_size=12)
    | st.text(max_size=20).map("/".__add__)
)
def test_no_target_leaves_the_site(target: str) -> None:
    # A browser takes away tabs and line ends, and reads a backslash as a slash.
    taken = safe_next(target, "/")
    read = "".join(sign for sign in taken if sign not in "\t\n\r").replace("\\", "/")
    parts = urlsplit(urljoin("http://here.example/sign-in", read))
    assert (parts.scheme, parts.netloc) == ("http", "here.example")


def test_a_form_keeps_what_was_typed_and_says_what_is_wrong() -> None:
    app = Flask("trial")
    with app.test_request_context("/?line=4", method="POST", data={"line": " 3 ", "extra": "x"}):
        form = posted(["line", "cans"])
        filters = asked(["line", "defect"], {"defect": "split"})
    assert (form.value("line"), form.value("cans"), form.value("extra")) == ("3", "", "")
    assert (filters.value("line"), filters.value("defect")) == ("4", "split")
    assert not form.is_faulty
    problem = BadFact((Fault("cans", "is missing"), Fault("", "is wrong as a whole")))
    faulty = form.with_problem(problem)
    assert faulty.is_faulty
    assert (faulty.error("cans"), faulty.error("line")) == ("is missing", None)
    assert faulty.value("line") == "3"
    assert not form.is_faulty
    assert Form().value("anything") == ""


def test_a_form_keeps_its_own_id_until_that_is_what_is_wrong() -> None:
    first = Form().own_id()
    assert uuid.UUID(first).version == 7
    assert Form().own_id() != first
    form = Form({"id": first})
    assert form.own_id() == first
    assert form.with_problem(BadFact((Fault("cans", "is missing"),))).own_id() == first
    assert form.with_problem(BadFact((Fault("id", "says something else"),))).own_id() != first


def test_a_decimal_comma_is_read_where_the_language_has_one() -> None:
    app = Flask(__name__)
    with app.test_request_context("/?fraction=0,02&lines=1,2"), in_language("pt_BR"):
        form = asked(["fraction", "lines"])
    assert (form.value("fraction"), form.value("lines")) == ("0.02", "1,2")
