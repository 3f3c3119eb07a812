"""Repeats in a row of cans: against plain sums over every hypothesis, and against simulation."""

from itertools import combinations, product
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from tracelog.stats.next_sample import information, next_cans, unseen_can
from tracelog.stats.repeat_scan import scan_chance
from tracelog.stats.repeats import (
    ALIKE_BEFORE,
    AT_PLACE,
    CHANCE_BEFORE,
    ELSEWHERE,
    IN_ALL,
    PAIR_SHARE,
    find_repeats,
    log_priors,
    read_cans,
)


def every(number: int, cans: int, place: int) -> str:
    return "".join("b" if at % number == place else "g" for at in range(cans))


def _integral(prior: tuple[float, float], letters: list[str]) -> float:
    """Likelihood of letters of one rate, the rate integrated out by quadrature."""
    bad, good = letters.count("b"), letters.count("g")

    def at(rate: float) -> float:
        return float(rate**bad * (1 - rate) ** good * stats.beta.pdf(rate, *prior))

    return float(integrate.quad(at, 0, 1)[0])


def _by_hand(
    cans: str, known: list[int], longest: int, slip: float
) -> dict[tuple[int, tuple[int, ...]], float]:
    """The chance of chance, of every can, and of every N and its places, summed one by one."""
    size = len(cans)
    weights: dict[tuple[int, tuple[int, ...]], float] = {
        (0, ()): CHANCE_BEFORE * _integral(ELSEWHERE, list(cans)),
        (1, ()): ALIKE_BEFORE * _integral(IN_ALL, list(cans)),
    }
    numbers = sorted({*range(2, longest + 1), *known})

    def likelihood(own: list[bool]) -> float:
        there = [letter for letter, is_own in zip(cans, own, strict=True) if is_own]
        rest = [letter for letter, is_own in zip(cans, own, strict=True) if not is_own]
        return _integral(AT_PLACE, there) * _integral(ELSEWHERE, rest)

    for number in numbers:
        known_share = 0.8 / len(known) if number in known else 0.0
        prior = 0.5 * (known_share + (0.2 if known else 1.0) / len(numbers))
        pairs = [
            pair for pair in combinations(range(number), 2) if (pair[1] - pair[0]) * 2 != number
        ]
        alone = 1 - PAIR_SHARE if pairs else 1.0
        for place in range(number):
            straight = 1.0
            found = 0.0
            each = slip / (2 * (size - 1))
            for after, moved in product(range(1, size), (1, -1)):
                own = [(at + moved * (at >= after)) % number == place for at in range(size)]
                seen = [is_own and cans[at] != "?" for at, is_own in enumerate(own)]
                if any(seen[:after]) and any(seen[after:]):
                    straight -= each
                    found += each * likelihood(own)
            own = [at % number == place for at in range(size)]
            found += straight * likelihood(own)
            weights[number, (place,)] = prior * alone / number * found
        for pair in pairs:
            own = [at % number in pair for at in range(size)]
            weights[number, pair] = prior * PAIR_SHARE / len(pairs) * likelihood(own)
    total = sum(weights.values())
    return {name: weight / total for name, weight in weights.items()}


@pytest.mark.parametrize("slip", [0.01, 0.4])
@pytest.mark.parametrize("cans", ["gbggbg", "gb?gbgg", "bbgbb", "gggg", "bbbbbb", "gbg?g?b"])
def test_the_closed_form_is_the_sum_over_every_hypothesis(cans: str, slip: float) -> None:
    by_hand = _by_hand(cans, [3], 4, slip)
    found = find_repeats(cans, [3], 4, slip)
    assert found.chance == pytest.approx(by_hand[0, ()], rel=1e-6)
    assert found.alike == pytest.approx(by_hand[1, ()], rel=1e-6)
    for one in found.repeats:
        assert one.probability == pytest.approx(by_hand[one.every, one.places], rel=1e-6)
    for number, probability in found.by_every:
        same = [by_hand[name] for name in by_hand if name[0] == number]
        assert probability == pytest.approx(sum(same), rel=1e-6)


def test_all_that_is_weighed_adds_up_to_one() -> None:
    found = find_repeats("ggbg?gggbggbgggg", (6, 12))
    assert found.weighed.probabilities.sum() == pytest.approx(1)
    repeats = sum(chance for _number, chance in found.by_every)
    assert found.chance + found.alike + repeats == pytest.approx(1)


def test_chances_beforehand_add_up_to_the_share_of_repeats() -> None:
    numbers = list(range(2, 65))
    before = log_priors(numbers, [12, 24])
    assert sum(np.exp(list(before.values()))) == pytest.approx(0.5)
    assert np.exp(before[12]) == pytest.approx(0.5 * (0.4 + 0.2 / 63))
    assert sum(np.exp(list(log_priors(numbers, []).values()))) == pytest.approx(0.5)


@pytest.mark.parametrize(("number", "place"), [(12, 3), (24, 0), (7, 6), (36, 20)])
def test_a_clean_repeat_is_found_with_its_place(number: int, place: int) -> None:
    found = find_repeats(every(number, 4 * number, place), (12, 24))
    assert (found.repeats[0].every, found.repeats[0].places) == (number, (place,))
    assert found.repeats[0].probability > (0.8 if number in (12, 24) else 0.6)
    assert found.repeats[0].bad == found.repeats[0].seen == 4


def test_a_pocket_of_24_is_not_taken_for_one_of_12() -> None:
    found = find_repeats(every(24, 72, 5), (12, 24, 36))
    assert found.by_every[0][0] == 24
    assert dict(found.by_every)[12] < 0.05
    found = find_repeats(every(12, 72, 5), (12, 24, 36))
    assert found.by_every[0][0] == 12
    assert dict(found.by_every)[24] + dict(found.by_every)[36] < 0.01


def test_two_bad_pockets_of_one_station_are_found() -> None:
    cans = "".join("b" if at % 12 in (2, 9) else "g" for at in range(48))
    (first, *_rest) = find_repeats(cans, (12, 16)).repeats
    assert (first.every, first.places, first.bad, first.seen) == (12, (2, 9), 8, 8)


@pytest.mark.parametrize(("lost", "at"), [(True, 30), (False, 30)])
def test_a_can_lost_or_there_twice_does_not_hide_a_repeat(lost: bool, at: int) -> None:
    cans = every(12, 72, 3)
    slipped = cans[:at] + cans[at + 1 :] if lost else cans[:at] + cans[at - 1] + cans[at:]
    found = find_repeats(slipped, (12, 24))
    assert (found.repeats[0].every, found.repeats[0].places) == (12, (3,))
    assert found.slip is not None
    assert found.slip.is_lost is lost
    # The slip lies between the bad cans before and behind it.
    assert 28 <= found.slip.after <= 39
    assert find_repeats(cans, (12, 24)).slip is None


def test_cans_not_looked_at_count_for_nothing() -> None:
    cans = every(12, 48, 3)
    hidden = cans[:15] + "?" + cans[16:]
    found = find_repeats(hidden, (12,))
    assert (found.seen, found.bad) == (47, 3)
    assert (found.repeats[0].every, found.repeats[0].seen) == (12, 3)
    blind = find_repeats("?" * 24, (12,))
    assert blind.chance == pytest.approx(CHANCE_BEFORE)
    assert dict(blind.by_every)[12] == pytest.approx(np.exp(log_priors(range(2, 65), [12])[12]))


def test_every_can_bad_is_no_repeat() -> None:
    found = find_repeats("b" * 24, (12,))
    assert found.alike > 0.95
    assert found.scan is None


def test_the_price_of_looking_at_many_numbers_is_paid() -> None:
    cans = every(12, 24, 3)
    assert dict(find_repeats(cans, (12,)).by_every)[12] > dict(find_repeats(cans).by_every)[12]


@pytest.mark.parametrize("known", [(), (12, 24)])
def test_chance_alone_seldom_passes_for_a_repeat(known: tuple[int, ...]) -> None:
    random = np.random.default_rng(906)
    fooled = 0
    for _time in range(60):
        cans = "".join("b" if bad else "g" for bad in random.random(48) < 0.1)
        fooled += find_repeats(cans, known).by_every[0][1] > 0.8
    assert fooled <= 1


def test_what_is_said_with_a_probability_is_right_so_often() -> None:
    random = np.random.default_rng(907)
    said, right = [], []
    for _time in range(120):
        number = int(random.choice([8, 12, 24])) if random.random() < 0.6 else 0
        at = np.arange(48)
        place = random.integers(max(number, 1))
        own = (at % number == place) if number else np.zeros(48, dtype=bool)
        rate = np.where(own, random.beta(*AT_PLACE), random.beta(*ELSEWHERE))
        cans = "".join("b" if bad else "g" for bad in random.random(48) < rate)
        found = find_repeats(cans, (8, 12, 24))
        chances = {0: found.chance, 1: found.alike, **dict(found.by_every)}
        best = max(chances, key=lambda one: chances[one])
        said.append(chances[best])
        right.append(best == number)
    assert np.mean(right) == pytest.approx(np.mean(said), abs=0.08)
    sure = np.array(said) > 0.9
    assert np.mean(np.array(right)[sure]) > 0.85


@pytest.mark.parametrize("cans", ["gb", "gbgx", "", "g" * 601])
def test_a_row_that_is_none_is_refused(cans: str) -> None:
    with pytest.raises(ValueError, match="cans"):
        find_repeats(cans)


def test_counts_that_are_none_are_refused() -> None:
    with pytest.raises(ValueError, match="known"):
        find_repeats("gbgb", [1])
    with pytest.raises(ValueError, match="longest"):
        find_repeats("gbgb", [], 400)


def _scan_by_hand(cans: str, numbers: list[int]) -> float:
    seen = [at for at, letter in enumerate(cans) if letter != "?"]
    bad = [at for at in seen if cans[at] == "b"]

    def smallest(chosen: tuple[int, ...] | list[int]) -> float:
        chances = []
        for number in numbers:
            for place in range(number):
                own = [at for at in seen if at % number == place]
                hits = len(set(own) & set(chosen))
                ways = sum(
                    comb(len(own), more) * comb(len(seen) - len(own), len(chosen) - more)
                    for more in range(hits, len(chosen) + 1)
                )
                chances.append(ways / comb(len(seen), len(chosen)))
        return min(chances)

    found = smallest(bad) * (1 + 1e-9)
    arrangements = list(combinations(seen, len(bad)))
    return sum(smallest(one) <= found for one in arrangements) / len(arrangements)


@settings(max_examples=25, deadline=None)
@given(st.text("ggb?", min_size=4, max_size=9))
def test_the_chance_of_the_scan_is_that_of_all_arrangements(cans: str) -> None:
    found = scan_chance(*read_cans(cans), [2, 3, 4])
    if found is None:
        assert cans.count("b") == 0 or cans.count("g") == 0
    else:
        assert found.is_exact
        assert found.chance == pytest.approx(_scan_by_hand(cans, [2, 3, 4]))


def test_two_of_four_cans_at_one_place_of_two() -> None:
    found = scan_chance(*read_cans("bgbg"), [2])
    assert found is not None
    assert (found.every, found.place) == (2, 0)
    assert found.chance == pytest.approx(1 / 3)


def test_the_bound_of_a_long_row_is_never_below_a_simulation() -> None:
    random = np.random.default_rng(908)
    cans = every(12, 60, 3)[:-1] + "b"
    found = scan_chance(*read_cans(cans), [8, 12, 24])
    assert found is not None
    assert not found.is_exact
    row = list(cans)
    as_striking = 0
    for _time in range(400):
        random.shuffle(row)
        shuffled = scan_chance(*read_cans("".join(row)), [8, 12, 24])
        assert shuffled is not None
        as_striking += shuffled.chance <= found.chance
    assert as_striking / 400 <= found.chance + 0.01
    # And a shuffled row seldom looks striking: the bound is a p-value.
    assert found.chance < 1e-4


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_expected_information_is_a_bound_from_below(seed: int) -> None:
    random = np.random.default_rng(seed)
    weights = random.dirichlet(np.ones(3))
    rates = random.random((3, 4))
    exact = 0.0
    for row in product((0, 1), repeat=4):
        bad = np.array(row)
        each = np.prod(np.where(bad, rates, 1 - rates), axis=1)
        exact += float(np.sum(weights * each * np.log2(each / (weights @ each))))
    bits = information(weights, rates)
    assert bits[-1] <= exact + 1e-9
    assert (np.diff(bits) >= -1e-12).all()


def test_a_can_that_decides_brings_one_bit() -> None:
    assert information(np.array([0.5, 0.5]), np.array([[1.0], [0.0]])) == pytest.approx([1.0])


def test_the_can_that_was_not_looked_at_and_decides_is_named() -> None:
    cans = every(24, 30, 2)
    hidden = cans[:14] + "?" + cans[15:20] + "?" + cans[21:]
    found = find_repeats(hidden, (12, 24))
    asked = unseen_can(found.weighed, hidden)
    assert asked is not None
    assert asked.can == 15
    assert unseen_can(found.weighed, cans) is None


def test_the_next_sample_is_of_full_turns_until_nothing_is_left_open() -> None:
    cans = every(24, 30, 2)
    asked = next_cans(find_repeats(cans, (12, 24)).weighed, 30, (12, 24))
    assert asked.cans % 12 == 0
    assert 0 < asked.bits <= asked.open_bits
    done = next_cans(find_repeats(every(12, 120, 2), (12,)).weighed, 120, (12,))
    assert done.cans == 0


def test_the_sample_that_is_advised_tells_apart_what_a_short_one_does_not() -> None:
    """Two numbers alike likely: the row grows by what is advised until one is nearly sure."""
    cans = every(24, 27, 2)
    known = (12, 24)
    before = dict(find_repeats(cans, known).by_every)[24]
    more = next_cans(find_repeats(cans, known).weighed, len(cans), known).cans
    after = dict(find_repeats(every(24, len(cans) + more, 2), known).by_every)[24]
    assert after > max(before, 0.85)
