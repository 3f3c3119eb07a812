"""The trade's worked examples, exactly, and what is said of them."""

from fractions import Fraction
from itertools import product
from math import factorial
from zoneinfo import ZoneInfo

import pytest

from tracelog.cases.domes.facts import DomesFact, read_codes, write_codes
from tracelog.cases.domes.rules import MachineShare, further_cans, shared, spread_of
from tracelog.cases.domes.wording import chance_words
from tracelog.errors import BadFact
from tracelog.plant.dome_code import dome_code_of
from tracelog.stats.dome_numbers import Suggests

ZONE = ZoneInfo("Europe/Madrid")


def on_line_3(*counts: int, strokes: list[int] | None = None) -> tuple[MachineShare, ...]:
    machines = [(f"3-{number}", dome_code_of(3, number)) for number in range(1, len(counts) + 1)]
    return shared(machines, counts, strokes or [1000] * len(counts))


def largest_at_least(most: int, cans: int, machines: int) -> float:
    """Chance that some machine gives as many of the cans, counted over all ways to deal them."""
    beyond = Fraction(0)
    for counts in product(range(cans + 1), repeat=machines - 1):
        rest = cans - sum(counts)
        if rest < 0 or max(*counts, rest) < most:
            continue
        ways = factorial(cans)
        for one in (*counts, rest):
            ways //= factorial(one)
        beyond += Fraction(ways, machines**cans)
    return float(beyond)


# Common practice names 1.6 %, 0.2 %, about 1 % and about 9 % (no source); counted out here.
def test_three_of_three_from_one_of_eight() -> None:
    found = spread_of(on_line_3(3, 0, 0, 0, 0, 0, 0, 0))
    assert found.by_chance == pytest.approx(1 / 64)
    assert chance_words(found.by_chance).replace("\N{NO-BREAK SPACE}", " ") == "1.6 %"
    assert found.suggests is Suggests.ONE_MACHINE


def test_four_of_four_from_one_of_eight() -> None:
    found = spread_of(on_line_3(0, 4, 0, 0, 0, 0, 0, 0))
    assert found.by_chance == pytest.approx(1 / 512)
    assert chance_words(found.by_chance).replace("\N{NO-BREAK SPACE}", " ") == "0.2 %"
    assert found.suggests is Suggests.ONE_MACHINE


@pytest.mark.parametrize(
    ("most", "percent", "suggests"),
    [(5, "1 %", Suggests.ONE_MACHINE), (4, "9 %", Suggests.NOTHING)],
)
def test_some_of_eight_from_one_of_eight(most: int, percent: str, suggests: Suggests) -> None:
    counts = [most] + [1] * (8 - most) + [0] * (most - 1)
    found = spread_of(on_line_3(*counts))
    exact = largest_at_least(most, 8, 8)
    assert found.by_chance == pytest.approx(exact, rel=1e-9)
    assert f"{100 * exact:.0f} %" == percent
    assert found.suggests is suggests


def test_an_even_spread_suggests_what_all_share() -> None:
    found = spread_of(on_line_3(1, 1, 1, 2, 0, 1, 1, 1))
    assert found.suggests is Suggests.COMMON


def test_a_machine_that_made_most_is_no_surprise() -> None:
    strokes = [9000, 300, 300, 300]
    assert spread_of(on_line_3(4, 0, 0, 0, strokes=strokes)).suggests is Suggests.NOTHING
    few = spread_of(on_line_3(0, 4, 0, 0, strokes=strokes))
    assert (few.suggests, few.machine) == (Suggests.ONE_MACHINE, 1)


def test_shares_are_of_strokes_and_alike_without_any() -> None:
    one, other = on_line_3(3, 1, strokes=[3000, 1000])
    assert (one.share, one.expected, other.expected) == (0.75, 3.0, 1.0)
    assert [one.share for one in on_line_3(1, 0, strokes=[0, 0])] == [0.5, 0.5]


def test_how_many_more_cans_would_suggest_it() -> None:
    shares = on_line_3(2, 0, 0, 0, 0, 0, 0, 0)
    assert further_cans(shares, spread_of(shares)) == 1
    settled = on_line_3(4, 0, 0, 0, 0, 0, 0, 0)
    assert further_cans(settled, spread_of(settled)) is None
    alone = on_line_3(3)
    assert further_cans(alone, spread_of(alone)) is None


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("3-7 3-7, 3/2;03.07", "3-7 3-7 3-2 3-7"),
        ("3-7x2 3-2", "3-7 3-7 3-2"),
        ("3-?", "3-?"),
    ],
)
def test_codes_are_read_one_for_each_can(text: str, written: str) -> None:
    assert write_codes(read_codes(text)) == written


@pytest.mark.parametrize(
    ("said", "field", "sentence"),
    [
        ({"codes": ""}, "codes", "is missing"),
        ({"codes": "3 7"}, "codes", "is not a dome code"),
        ({"codes": "3-7x999"}, "codes", "it must be from 1 to 200"),
        ({"codes": "3-7x150 3-7x60"}, "codes", "more than 200 cans"),
        ({"codes": "3-7", "made_from": "2026-03-02T06:00"}, "made_to", "give both ends"),
        (
            {"codes": "3-7", "made_from": "2026-03-02T06:00", "made_to": "2026-03-02T05:00"},
            "made_to",
            "is not after made_from",
        ),
        (
            {
                "codes": "3-7",
                "made_from": "2026-03-02T06:00",
                "made_to": "2026-03-02T07:00",
                "found_at": "necker",
            },
            "found_at",
            "is given beside the time of making",
        ),
    ],
)
def test_what_cannot_be_asked_is_told_at_its_field(
    said: dict[str, str], field: str, sentence: str
) -> None:
    with pytest.raises(BadFact) as told:
        DomesFact.read(said, ZONE)
    (fault,) = told.value.faults
    assert (fault.field, sentence in fault.sentence) == (field, True)
