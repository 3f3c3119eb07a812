"""What is not JSON, or could be read in two ways, is refused in one sentence."""

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.api.plant import Program, Site, at
from tracelog.json_text import UnreadableBody, parse_json

READING = {"line": 1, "bodymaker": 1, "read_at": at(1), "strokes": 5}
TEXT = json.dumps(READING)


@pytest.mark.parametrize(
    ("sent", "status", "words"),
    [
        (b"", 400, "nothing was sent"),
        (b"   ", 400, "nothing was sent"),
        (b"{", 400, "line 1, column 2"),
        (b"line=1&strokes=5", 400, "is not JSON"),
        (TEXT + TEXT, 400, "is not JSON"),
        (TEXT.replace("}", ",}"), 400, "is not JSON"),
        (TEXT.replace('"', "'"), 400, "is not JSON"),
        (TEXT.replace("}", ', "line": 2}'), 400, "'line' stands twice"),
        (TEXT.replace("5}", "NaN}"), 400, "NaN is not a number in JSON"),
        (TEXT.replace("5}", "-Infinity}"), 400, "-Infinity is not a number in JSON"),
        (TEXT.replace("5}", "9" * 5000 + "}"), 400, "too many digits"),
        (TEXT.replace("5}", "[" * 100_000 + "}"), 400, "nested too deeply"),
        (TEXT.encode("utf-16"), 400, "not UTF-8"),
        (b"\xef\xbb\xbf" + TEXT.encode(), 400, "is not JSON"),
        (b'{"line": "\xff"}', 400, "byte 11 is not UTF-8"),
        (TEXT.replace("}", ', "\\ud800": 1}'), 400, "half a character"),
        (b"null", 422, "send an object, or an array of objects"),
        (b"17", 422, "send an object, or an array of objects"),
        (b'"reading"', 422, "send an object, or an array of objects"),
        (b"[[]]", 422, "is not an object"),
        (b"[null]", 422, "is not an object"),
    ],
)
def test_what_cannot_be_read_is_told(
    site: Site, sent: bytes | str, status: int, words: str
) -> None:
    before = site.counted()
    answer = site.program().post_text("/readings", sent)
    assert (answer.status_code, answer.mimetype) == (status, "application/problem+json")
    assert words.casefold() in answer.json["detail"].casefold()
    assert answer.json["status"] == status
    assert site.counted() == before


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "text/json"])
def test_another_content_type_is_refused(program: Program, kind: str) -> None:
    answer = program.post_text("/readings", TEXT, Content_Type=kind)
    assert answer.status_code == 415
    assert answer.json["detail"] == (
        f"The content type is '{kind}'; send JSON, with the header Content-Type: application/json."
    )


def test_a_missing_content_type_is_refused(program: Program) -> None:
    answer = program.post_text("/readings", TEXT, Content_Type="")
    assert answer.status_code == 415
    assert "not given" in answer.json["detail"]


def test_a_content_type_may_name_its_character_set(program: Program) -> None:
    answer = program.post_text("/readings", TEXT, Content_Type="application/json; charset=utf-8")
    assert answer.status_code == 201


def test_compressed_bodies_are_refused(program: Program) -> None:
    answer = program.post_text("/readings", TEXT, Content_Encoding="gzip")
    assert answer.status_code == 415
    assert "'gzip'" in answer.json["detail"]


def test_a_body_that_is_too_large_is_refused(site: Site) -> None:
    before = site.counted()
    answer = site.program().post_text("/readings", b" " * (16 * 1024 * 1024 + 1))
    assert (answer.status_code, answer.mimetype) == (413, "application/problem+json")
    assert "16 MB" in answer.json["detail"]
    assert site.counted() == before


@pytest.mark.parametrize("name", ["a\u0000b", "x" * 5000, "__class__", ""])
def test_hostile_names_of_fields_are_told_and_do_no_harm(site: Site, name: str) -> None:
    before = site.counted()
    answer = site.program().post_text("/readings", json.dumps({**READING, name: 1}))
    assert answer.status_code == 422
    (fault,) = answer.json["faults"]
    assert "is not known here" in fault["sentence"]
    assert len(fault["sentence"]) < 200
    assert site.counted() == before


@pytest.mark.parametrize("text", ["\ud800", "a\u0000b", "\u0085", "a\nb"])
def test_hostile_text_is_told_and_does_no_harm(site: Site, text: str) -> None:
    before = site.counted()
    change = {"line": 1, "at": at(1), "kind": text}
    answer = site.program().post_text("/changes", json.dumps(change))
    assert answer.status_code == 422
    assert answer.json["faults"][0]["field"] == "kind"
    assert site.counted() == before


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@pytest.mark.parametrize("path", ["/readings", "/defects", "/measurements"])
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(value=VALUES, field=st.sampled_from(["line", "bodymaker", "strokes", "cans", "value", "id"]))
def test_no_value_whatsoever_is_a_fault_of_ours(
    site: Site, path: str, value: object, field: str
) -> None:
    for sent in (value, [value], {**READING, field: value}):
        answer = site.program().post_text(path, json.dumps(sent))
        assert answer.status_code < 500, (sent, answer.text)


@given(VALUES.filter(lambda value: "nan" not in repr(value) and "inf" not in repr(value)))
def test_json_that_says_one_thing_is_read_as_it_stands(value: object) -> None:
    assert parse_json(json.dumps(value, ensure_ascii=True).encode()) == value


@given(st.binary(max_size=60))
def test_bytes_are_read_or_refused(sent: bytes) -> None:
    try:
        value = parse_json(sent)
    except UnreadableBody:
        return
    assert value == json.loads(sent)
