"""Reading the two numbers in a can's dome."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.plant.dome_code import parse_dome_code


@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        ("3-7", "3-7"),
        ("03/07", "3-7"),
        ("3.7", "3-7"),
        ("3 7", "3-7"),
        (" 3 - 7 ", "3-7"),
        ("3-1?", "3-1?"),
        ("?-7", "?-7"),
        ("?-?", "?-?"),
        ("03-010", "3-10"),
        ("12-??", "12-??"),
    ],
)
def test_a_code_is_read_in_every_accepted_form(text: str, canonical: str) -> None:
    assert str(parse_dome_code(text)) == canonical


@pytest.mark.parametrize(
    "text",
    ["", "3", "37", "3-", "-7", "3-7-1", "a-7", "3_7", "0-7", "3-0", "3-00", "٣-٧", "1234-5"],
)
def test_anything_else_is_refused_with_what_would_be_right(text: str) -> None:
    with pytest.raises(ValueError, match="is not a dome code; "):
        parse_dome_code(text)


@given(st.integers(1, 999), st.integers(1, 999))
def test_canonical_text_is_read_back_unchanged(line: int, number: int) -> None:
    code = parse_dome_code(f"{line}-{number}")
    assert code.is_complete
    assert parse_dome_code(str(code)) == code
