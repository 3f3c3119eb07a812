"""Every reader of what comes from outside: seeds, and seeds that were changed at random.

The short version of ``python -m tests.bench fuzz``; what that found stands in `test_finds.py`.
"""

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.fuzz.limits import TookTooLong, within
from tests.fuzz.reached import reached
from tests.fuzz.targets import SEEDS, TARGETS

EXAMPLES = {"spreadsheets": 8, "backups": 8, "plant_rows": 20}
USUALLY = 40
# Pieces that readers have an eye on, of numbers, dates, text and their grammars.
PIECES = st.sampled_from(
    [
        *(b"\0", b"\xff", b"\n", b"\r\n ", b'"', b",", b";", b"?", b"/", b"=", b"[[", b"{"),
        *(b"-1", b"0", b"9" * 20, b"9" * 5000, b"1e999", b"1e-9", b"nan", b"null", b"true"),
        *(b"0001-01-01T00:00:00+14:00", b"9999-12-31T23:59:59-14:00", b"2026-03-29T02:30"),
        *("١".encode(), "²".encode(), "\u2028".encode(), b"\xed\xa0\x80", b"\\ud800"),
        b"[" * 3000,
    ]
)


@st.composite
def changed(draw: st.DrawFn, seeds: list[bytes]) -> bytes:
    """A seed in which bytes are replaced, pieces put in, and parts of other seeds."""
    data = draw(st.sampled_from(seeds))
    for _time in range(draw(st.integers(0, 4))):
        start = draw(st.integers(0, len(data)))
        length = draw(st.sampled_from([0, 0, 1, 1, 2, 8, 40]))
        other = draw(st.sampled_from(seeds))
        put_in = draw(PIECES | st.binary(max_size=4) | st.just(other[start : start + 20]))
        data = data[:start] + put_in + data[start + length :]
    return data


@pytest.mark.parametrize("name", TARGETS)
def test_whatever_comes_is_read_or_refused_in_a_sentence(name: str) -> None:
    target = TARGETS[name]
    seeds = target.seeds

    @settings(
        max_examples=EXAMPLES.get(name, USUALLY),
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
        deadline=None,
        database=None,
    )
    @given(data=changed(seeds))
    def check(data: bytes) -> None:
        with within(4 * target.most_seconds):
            target.try_one(data)

    for seed in seeds:
        target.try_one(seed)
    check()


def test_every_target_has_seeds_and_every_folder_of_seeds_a_target() -> None:
    assert {path.name for path in SEEDS.iterdir()} == set(TARGETS)
    assert all(1 <= len(target.seeds) <= 20 for target in TARGETS.values())
    assert max(len(seed) for target in TARGETS.values() for seed in target.seeds) < 12_000


def count_for_minutes() -> None:
    # In steps of Python: nothing interrupts a loop of the interpreter's own.
    for _number in range(10**10):
        pass


def test_an_input_that_takes_too_long_is_a_find() -> None:
    with pytest.raises(TookTooLong), within(0.05):
        count_for_minutes()


def test_lines_that_are_reached_are_counted() -> None:
    few, whole = reached(TARGETS["dome_codes"], [b"3-7"])
    more, same = reached(TARGETS["dome_codes"], TARGETS["dome_codes"].seeds)
    assert 0 < few < more <= whole == same
