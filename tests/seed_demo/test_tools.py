from collections import defaultdict
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seed_demo.chance import stream
from seed_demo.clock import PlantClock
from seed_demo.faults import schedule_faults
from seed_demo.machines import build_bodymakers, choose_roles
from seed_demo.running import run_plant
from seed_demo.services import rebuild_window, serve
from seed_demo.simulate import SimulatedPlant, simulate
from seed_demo.sizes import PlantSize
from seed_demo.tools import DOMING, TOOL_TYPES, Fit, run_tools
from seed_demo.workshop import Workshop
from tests.seed_demo.written import LONG, SMALL, plant
from tracelog.reference import tool_types


def stays(made: SimulatedPlant, key: str) -> dict[object, list[Fit]]:
    found: dict[object, list[Fit]] = defaultdict(list)
    for fit in sorted(made.tools.fits, key=lambda f: f.fitted):
        found[fit.tool.serial if key == "tool" else (fit.machine, fit.kind)].append(fit)
    return found


def restorations(made: SimulatedPlant) -> dict[str, list[float]]:
    """When each tool was ground, polished or coated, in order."""
    found: dict[str, list[float]] = defaultdict(list)
    for work in made.tools.works:
        if work.work in {"regrind", "polish", "recoat"}:
            found[work.serial].append(work.at)
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
    restored = restorations(made)
    last: dict[str, float] = {}
    for fit in sorted(made.tools.fits, key=lambda f: f.fitted):
        if fit.removed is None:
            continue
        serial = fit.tool.serial
        if any(last.get(serial, 0.0) < at <= fit.fitted for at in restored[serial]):
            used[serial] = 0.0
        last[serial] = fit.fitted
        span = np.array([fit.fitted, fit.removed])
        used[serial] += float(np.diff(made.running.made(fit.machine, span))[0])
        if fit.reason == "worn" and fit.tool is not made.tools.chipped:
            worn[fit.kind].append(used[serial])
            assert used[serial] < TOOL_TYPES[fit.kind].life_strokes * 6
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


# --- the tool room


@pytest.mark.parametrize("size", [SMALL, LONG])
def test_a_tool_is_restored_and_scrapped_while_it_is_in_no_machine(size: PlantSize) -> None:
    made = plant(size)
    own = stays(made, "tool")
    for work in made.tools.works:
        for fit in own[work.serial]:
            inside = fit.fitted < work.at and (fit.removed is None or work.at < fit.removed)
            assert inside == (work.work == "on-record" and fit.fitted == 0)
            assert work.work != "scrap" or fit.fitted < work.at


def test_a_tool_that_failed_serves_again_only_after_work() -> None:
    made = plant(PlantSize(4, 8, 365))
    done = restorations(made)
    cleared = {(w.serial, w.at) for w in made.tools.works if w.work == "clean"}
    again = 0
    for serial, fits in stays(made, "tool").items():
        if fits[0].kind == DOMING:
            continue
        for earlier, later in pairwise(fits):
            assert earlier.removed is not None
            worked = any(earlier.removed < at < later.fitted for at in done[str(serial)])
            looked = any(s == serial and earlier.removed < at for s, at in cleared)
            assert worked or earlier.reason == "moved" or (looked and earlier.reason == "defect")
            again += worked
    assert again > 300


def test_a_tool_is_restored_as_often_as_its_type_allows_and_loses_size_each_time() -> None:
    made = plant(PlantSize(4, 8, 365))
    kinds = {tool.serial: TOOL_TYPES[tool.kind].tool_type for tool in made.tools.tools}
    sizes: dict[str, list[float]] = defaultdict(list)
    times: dict[str, int] = defaultdict(int)
    for work in made.tools.works:
        times[work.serial] += work.work in {"regrind", "polish"}
        if work.size is not None:
            sizes[work.serial].append(work.size)
    limits = {kind.tool_type: kind.regrinds_high for kind in tool_types()}
    for serial, count in times.items():
        assert count <= (limits[kinds[serial]] or 0)
    assert max(times.values()) >= 3
    for serial, own in sizes.items():
        # A ring opens by 2 to 5 micrometres, a punch loses 1 to 5.
        low, high = (1, 5) if kinds[serial] == "punch" else (2, 5)
        signed = -1000 if kinds[serial] == "punch" else 1000
        for earlier, later in pairwise(own):
            assert low - 1e-6 <= (later - earlier) * signed <= high + 1e-6
    assert {kinds[serial] for serial in sizes} == {"punch", "ring-1", "ring-2", "ring-3"}


def test_cards_of_the_first_day_tell_the_true_strokes_of_most_tools() -> None:
    made = plant(PlantSize(4, 8, 365))
    cards = [work for work in made.tools.works if work.work == "on-record"]
    first = {fit.tool.serial: fit for fit in made.tools.fits if fit.fitted == 0}
    assert 0.75 < len(cards) / len(first) < 0.95
    for card in cards:
        assert card.strokes_before == int(made.running.made(first[card.serial].machine, card.at))


def test_the_tool_room_leaves_everything_else_as_it_would_be() -> None:
    """It chooses tools only: when they change, and so all strokes, come from another stream."""
    made = plant(LONG)
    clock = PlantClock.of(LONG)
    machines = build_bodymakers(LONG, stream(1, "machines"))
    running = run_plant(clock, machines, stream(1, "running"))
    roles, schedule = choose_roles(LONG), schedule_faults(clock)
    services = serve(clock, machines, running, roles, stream(1, "services"))
    other = run_tools(
        *(running, services, roles, schedule, rebuild_window(clock), stream(1, "tools")),
        Workshop(clock, stream(2, "workshop")),
    )
    changes = [(f.machine, f.kind, f.fitted, f.removed, f.reason) for f in made.tools.fits]
    assert changes == [(f.machine, f.kind, f.fitted, f.removed, f.reason) for f in other.fits]
    assert np.array_equal(running.strokes, made.running.strokes)
    assert [w.at for w in other.works] != [w.at for w in made.tools.works]
