from collections import defaultdict
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seed_demo.simulate import SimulatedPlant, simulate
from seed_demo.sizes import PlantSize
from seed_demo.tools import DOMING, TOOL_TYPES, Fit
from tests.seed_demo.written import LONG, SMALL, plant


def stays(made: SimulatedPlant, key: str) -> dict[object, list[Fit]]:
    found: dict[object, list[Fit]] = defaultdict(list)
    for fit in sorted(made.tools.fits, key=lambda f: f.fitted):
        found[fit.tool.serial if key == "tool" else (fit.machine, fit.kind)].append(fit)
    return found


def assert_consistent(made: SimulatedPlant) -> None:
    for key in ("tool", "position"):
        for own in stays(made, key).values():
            for earlier, later in pairwise(own):
                assert earlier.removed is not None
                assert earlier.removed < later.fitted
    for fit in made.tools.fits:
        assert (fit.removed is None) == (fit.reason == "")
        assert fit.removed is None or fit.removed > fit.fitted


@pytest.mark.parametrize("size", [SMALL, LONG])
def test_a_tool_is_in_one_place_and_a_position_holds_one_tool(size: PlantSize) -> None:
    assert_consistent(plant(size))


@settings(max_examples=15, deadline=None)
@given(
    lines=st.integers(1, 3),
    bodymakers=st.integers(1, 4),
    days=st.integers(10, 45),
    seed=st.integers(0, 10_000),
)
def test_tools_are_consistent_in_a_plant_of_any_size(
    lines: int, bodymakers: int, days: int, seed: int
) -> None:
    made = simulate(PlantSize(lines, bodymakers, days, pallet_days=1), seed)
    assert_consistent(made)
    assert len(made.counters.undeclared) == 2


def test_no_machine_makes_a_stroke_without_a_tool_in_every_position() -> None:
    made = plant(LONG)
    for own in stays(made, "position").values():
        for earlier, later in pairwise(own):
            assert earlier.removed is not None
            without = np.array([earlier.removed, later.fitted])
            assert np.diff(made.running.made(earlier.machine, without))[0] == 0.0


def test_a_tool_worn_out_has_borne_its_life_and_lives_spread_as_their_type_says() -> None:
    made = plant(PlantSize(4, 8, 365))
    used: dict[str, float] = defaultdict(float)
    worn: dict[int, list[float]] = defaultdict(list)
    for fit in sorted(made.tools.fits, key=lambda f: f.fitted):
        if fit.removed is None:
            continue
        span = np.array([fit.fitted, fit.removed])
        used[fit.tool.serial] += float(np.diff(made.running.made(fit.machine, span))[0])
        if fit.reason == "worn" and fit.tool is not made.tools.chipped:
            worn[fit.kind].append(used[fit.tool.serial])
            assert used[fit.tool.serial] < TOOL_TYPES[fit.kind].life_strokes * 6
    sleeves = worn[[t.tool_type for t in TOOL_TYPES].index("redraw-sleeve")]
    rings = worn[[t.tool_type for t in TOOL_TYPES].index("ring-3")]
    # Random failures come early as often as late; wear-out does not.
    assert np.mean(np.array(sleeves) < 5e6) > 3 * np.mean(np.array(rings) < 5e6 * 18 / 35)


def test_tools_are_taken_out_for_every_reason_and_some_serve_again_elsewhere() -> None:
    made = plant(PlantSize(4, 8, 365))
    reasons = {fit.reason for fit in made.tools.fits}
    assert reasons == {"", "planned", "worn", "broken", "defect", "moved", "unknown"}
    own = stays(made, "tool")
    elsewhere = [
        serial
        for serial, fits in own.items()
        if fits[0].kind != DOMING and len({f.machine for f in fits}) > 1
    ]
    assert len(elsewhere) > 20


def test_a_doming_tool_carries_the_number_of_its_machine_but_for_the_lent_one() -> None:
    made = plant(LONG)
    strangers = [
        fits
        for serial, fits in stays(made, "tool").items()
        if fits[0].kind == DOMING and len({f.machine for f in fits}) > 1
    ]
    assert len(strangers) == 1
    [(home, lent, back)] = strangers
    assert home.machine == back.machine != lent.machine
    assert made.tools.lent == (lent.fitted, lent.removed)
    assert 12 * 86_400 < made.tools.lent[1] - made.tools.lent[0] < 17 * 86_400
    stood = np.array(made.tools.lent)
    assert np.diff(made.running.made(home.machine, stood))[0] == 0.0
