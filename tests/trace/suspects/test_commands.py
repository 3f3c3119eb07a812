"""`tracelog suspects` on the small simulated plant."""

import json

import pytest

from tests.support.command import Command
from tests.support.plants import ENDS_AT

pytestmark = pytest.mark.small_plant
WINDOW = (
    *("--bad-at", "2026-06-28T10:00Z", "--good-at", "2026-06-28T08:00Z"),
    *("--repaired-at", "2026-06-28T12:00Z", "--as-of", ENDS_AT.isoformat()),
)


def test_the_pallets_of_a_window(command: Command) -> None:
    text = command("suspects", "2-1", "--defect", "wall-split", *WINDOW).stdout
    assert "Held at a risk of 1 % for each pallet" in text
    assert "the last good time given" in text
    assert "hold and release belong to the plant's quality authority" in text
    answer = json.loads(command("suspects", "2-1", *WINDOW, "--risk", "5%", "--json").stdout)
    assert answer["risk"] == 0.05
    assert 0 < answer["held"]["pallets"] < answer["naive"]["pallets"]
    assert answer["expected_on_pallets"] == pytest.approx(answer["suspect_strokes"], rel=0.05)


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("9-9",), "machine: there is no line 9"),
        (("2-1", "--risk", "5"), "risk: '5' is not between 0 and 1"),
        (("2-1",), "bad_at: is missing"),
    ],
)
def test_what_cannot_be_asked_is_told(
    command: Command, words: tuple[str, ...], sentence: str
) -> None:
    done = command("suspects", *words, status=1)
    assert sentence in done.stderr
    assert done.stdout == ""
