"""What a dossier tells beyond the machine: pallets by chance, tools' earlier stays, other runs."""

from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from tests.trace import two_lines as plant
from tests.trace.two_lines import HOURS, hour
from tracelog.plant.dome_code import parse_dome_code
from tracelog.plant.queries import directory
from tracelog.trace.axis import Scale, ticks
from tracelog.trace.dossier import Dossier, dossier
from tracelog.trace.dossier_axis import dossier_axis
from tracelog.trace.making import Question
from tracelog.trends.actions import record_measurements
from tracelog.trends.facts import MeasurementFact


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)


def trace(session: Session, code: str, at: float, as_of: float = HOURS) -> Dossier:
    return dossier(session, Question(parse_dome_code(code), hour(at)), hour(as_of))


def test_pallets_bear_the_chance_that_the_can_lies_on_them(session: Session) -> None:
    # The way takes 20 to 95 minutes: 75 minutes, all alike.
    minutes = 1 / 60
    plant.fill_pallet(session, "W-1", 1, 100 + 20 * minutes, 100 + 50 * minutes)
    plant.fill_pallet(session, "W-2", 1, 100 + 50 * minutes, 100 + 80 * minutes)
    found = trace(session, "1-1", 100)
    assert {one.stay.pallet: one.probability for one in found.laid.pallets} == {
        "W-1": pytest.approx(30 / 75),
        "W-2": pytest.approx(30 / 75),
    }
    assert found.laid.elsewhere == pytest.approx(15 / 75)


def test_a_pallet_that_was_given_is_the_one(session: Session) -> None:
    plant.fill_pallet(session, "W-1", 1, 100, 100.5)
    question = Question(parse_dome_code("1-1"), None, "W-1")
    found = dossier(session, question, hour(HOURS))
    assert [(one.stay.pallet, one.probability) for one in found.laid.pallets] == [("W-1", 1.0)]


def test_a_tool_tells_where_it_was_before(session: Session) -> None:
    plant.write_tools(session, {"A": None})
    plant.fit(session, "A", "1-2", "ring-2", 0, 50, "moved")
    plant.fit(session, "A", "1-1", "ring-3", 60, 200, "worn")
    (tool,) = trace(session, "1-1", 100).then.tools
    assert [(one.stay.position, one.strokes) for one in tool.earlier] == [("ring-2", 50 * 24_000)]
    assert tool.strokes_on_tool == 50 * 24_000 + 40 * 12_000


def test_other_runs_of_the_coil_are_told_with_their_line(session: Session) -> None:
    plant.run_coil(session, "K-1", 1, 99, 101)
    plant.run_coil(session, "K-1", 2, 103, 104)
    plant.run_coil(session, "K-2", 2, 99, 101)
    found = trace(session, "1-1", 100)
    lines = directory(session).line_numbers
    assert [(one.coil, lines[one.line_id]) for one in found.other_runs] == [("K-1", 2)]
    assert trace(session, "1-1", 100, as_of=102).other_runs == ()


def test_values_measured_nearest_before_and_after(session: Session) -> None:
    for at, value in ((90, 0.1), (95, 0.2), (95, 0.4), (105, 0.5), (110, 0.6)):
        fact = MeasurementFact.read(
            {
                "line": 1,
                "bodymaker": 1,
                "measured_at": hour(at),
                "unit": "mm",
                "characteristic": "thin-wall",
                "value": value,
                "subgroup": f"{at}-{value}",
            },
            plant.ZONE,
        )
        plant.kept(record_measurements(session, [fact], plant.ACTOR, plant.WRITTEN_AT))
    found = trace(session, "1-1", 100).then.measured
    assert [(one.measured_at, one.mean, one.values) for one in found] == [
        (hour(95), pytest.approx(0.3), 2),
        (hour(105), 0.5, 1),
    ]
    assert [one.measured_at for one in trace(session, "1-1", 100, as_of=101).then.measured] == [
        hour(95)
    ]


def test_everything_stands_in_order_on_the_axis(session: Session) -> None:
    plant.write_tools(session, {"A": None})
    plant.fit(session, "A", "1-1", "ring-3", 1)
    plant.run_coil(session, "K-1", 1, 98, 102)
    plant.change(session, 1, 1, 95, "coolant")
    plant.log(session, 99, "1-1")
    plant.fill_pallet(session, "W-1", 1, 100.5, 101)
    drawn = dossier_axis(trace(session, "1-1", 100), plant.ZONE)
    lanes = {lane.shape: lane for lane in drawn.lanes if lane.marks}
    made = drawn.band[0]
    tool, change, entry = (lanes[one].marks[0].x for one in ("ring", "wedge", "dot"))
    assert drawn.left <= tool < change < entry < made
    pallets = drawn.lanes[-1].bars[0]
    assert made < pallets.x < pallets.x + pallets.width <= drawn.width


@pytest.mark.parametrize("hours", [0, 5])
def test_places_rise_with_time_and_stay_within_the_drawing(hours: int) -> None:
    start, end = hour(100), hour(100 + hours)
    scale = Scale(start, end, start - timedelta(days=40), end + timedelta(hours=6))
    moments = [start - timedelta(days=50) + timedelta(hours=7 * n) for n in range(240)]
    places = [scale.place(one) for one in moments]
    assert places == sorted(places)
    assert min(places) >= 0
    assert max(places) <= 800
    labels = [one.label for one in ticks(scale) if one.label]
    assert {"−1 d", "−7 d", "+1 h"} <= set(labels)
