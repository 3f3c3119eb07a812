"""What is learned of the way, against cans drawn from a known one."""

import numpy as np
import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace.two_lines import WRITTEN_AT, hour, log, write_plant
from tracelog.plant.queries import directory, the_plant
from tracelog.trace.transit import usual_way
from tracelog.trace.transit_learning import (
    Delay,
    central,
    learned_way_to,
    learned_ways,
    usual_share,
    usual_way_to,
)
from tracelog.trace.transit_queries import known_delays, ways, ways_to

USUAL = usual_way((20, 95))


def drawn(count: int, seed: int = 3) -> list[Delay]:
    """Cans of a way that is no even one: most take 35 to 55 minutes; some were seen at the necker,
    and one in thirty was logged with a wrong time."""
    rng = np.random.default_rng(seed)
    times = 20 + 75 * rng.beta(2.0, 4.0, count)
    stations = rng.choice(["palletiser", "necker"], count)
    shares = np.where(stations == "necker", 0.7, 1.0)
    wrong = rng.random(count) < 1 / 30
    minutes = np.where(wrong, rng.uniform(0, 600, count), times * shares)
    return [Delay(str(s), float(m)) for s, m in zip(stations, minutes, strict=True)]


def test_the_learned_way_is_the_true_one_though_entries_are_wrong() -> None:
    way = learned_ways({"line": drawn(1000)}, USUAL)["line"]
    rng = np.random.default_rng(11)
    truth = 20 + 75 * rng.beta(2.0, 4.0, 100_000)
    asked = [25.0, 35.0, 45.0, 60.0, 80.0]
    assert way.by(asked) == pytest.approx([(truth <= one).mean() for one in asked], abs=0.07)
    assert abs(way.by(45.0) - USUAL.by(45.0)) > 0.15
    assert (way.chances > 0).all()
    assert way.chances.sum() == pytest.approx(1)
    assert way.learned_from > 800


def test_one_can_changes_little_and_none_nothing() -> None:
    nothing = learned_ways({"line": []}, USUAL)["line"]
    assert nothing is USUAL
    way = learned_ways({"line": [Delay("palletiser", 30.0)]}, USUAL)["line"]
    asked = np.linspace(20, 95, 20)
    assert way.by(asked) == pytest.approx(USUAL.by(asked), abs=0.08)
    assert way.learned_from == 1


def test_a_line_of_few_cans_leans_on_the_others() -> None:
    found = learned_ways({"many": drawn(800), "few": drawn(4, seed=5)}, USUAL)
    asked = np.linspace(20, 95, 20)
    assert found["few"].by(asked) == pytest.approx(found["many"].by(asked), abs=0.12)


def test_the_way_to_a_station_holds_its_share_of_the_cans() -> None:
    delays = drawn(1500)
    way = learned_ways({"line": delays}, USUAL)["line"]
    necker = learned_way_to("necker", delays, way)
    low, high = central(necker, 0.98)
    rng = np.random.default_rng(12)
    truth = 0.7 * (20 + 75 * rng.beta(2.0, 4.0, 50_000))
    assert ((truth >= low) & (truth <= high)).mean() > 0.96
    assert high - low < 75


def test_where_nothing_was_seen_the_usual_way_counts() -> None:
    shares = [usual_share(one) for one in ("trimmer", "washer", "necker", "light-tester")]
    assert shares == sorted(shares)
    assert usual_share("palletiser") == 1.0
    assert usual_share("laboratory") is None
    assert usual_way_to("bodymaker", USUAL).edges[-1] == 30
    assert usual_way_to("filler", USUAL).edges[0] == 20
    assert usual_way_to(None, USUAL).edges[-1] == 95
    assert usual_way_to("laboratory", USUAL).edges[-1] > 1_440


def log_known(session: Session, count: int, line: int) -> None:
    """Cans of a line that took 40 to 50 minutes to the palletiser."""
    for number in range(count):
        made = hour(24 + number)
        log(
            session,
            24 + number + (40 + number % 10) / 60,
            f"{line}-1",
            found_at="palletiser",
            made_at=made.isoformat(),
        )


def test_ways_are_learned_line_by_line_in_one_statement(
    session: Session, statements: Statements
) -> None:
    write_plant(session)
    log_known(session, 30, 1)
    session.flush()
    plant, places = the_plant(session), directory(session)
    lines = [places.lines[1], places.lines[2]]
    with statements.counted() as sent:
        found = ways(session, plant, lines, WRITTEN_AT)
    assert len(sent) == 1
    assert [found[line].learned_from for line in lines] == [30, 0]
    first, second = (found[line].by([40, 50]) for line in lines)
    assert np.diff(first) > 0.6
    assert np.diff(first) > np.diff(second) > np.diff(USUAL.by([40, 50]))
    assert len(known_delays(session, lines, WRITTEN_AT)[lines[0]]) == 30
    to_necker = ways_to(session, plant, lines, "necker", WRITTEN_AT)[lines[0]]
    assert central(to_necker, 0.9)[1] < central(found[lines[0]], 0.9)[1]


def test_what_is_learned_later_does_not_count(session: Session) -> None:
    write_plant(session)
    log_known(session, 30, 1)
    plant, line = the_plant(session), directory(session).lines[1]
    early = known_delays(session, [line], hour(34))[line]
    assert 5 < len(early) < 12
    assert ways(session, plant, [line], hour(1))[line].learned_from == 0
