"""The funnel: who lies outside, how all are ranked, and whether there is any difference."""

from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trends import small_log
from tracelog.defects.facts import EntryFact
from tracelog.plant.queries import directory, the_plant
from tracelog.stats.funnel import funnel_limits
from tracelog.stats.intervals import rate_interval
from tracelog.stats.shrinkage import gamma_poisson
from tracelog.trends.pictures.drawing import funnel_figure
from tracelog.trends.pictures.funnel import FunnelAnswer, Place, funnel_of
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rules import By


def log_of(found: dict[str, int]) -> list[EntryFact]:
    """Entries on the days of the log, so many of each machine."""
    return [
        small_log.entry(
            n % small_log.DAYS,
            code,
            "split",
            seen_at=small_log.day(n % small_log.DAYS) + timedelta(minutes=n),
        )
        for code, many in found.items()
        for n in range(many)
    ]


def ask(session: Session, found: dict[str, int], **more: Any) -> FunnelAnswer:
    """The funnel of a log with so many found on each machine."""
    small_log.write_log(session, log_of(found))
    asked = RateQuestion(small_log.day(0), small_log.day(small_log.DAYS), **more)
    return funnel_of(session, asked, the_plant(session), directory(session))


def test_limits_ranking_and_intervals_are_those_of_the_methods(session: Session) -> None:
    told = ask(session, {"1-1": 40, "1-2": 30, "1-3": 12})
    counts, strokes = [40, 30, 12], [10**7, 2 * 10**7, 10**7]
    model = gamma_poisson(counts, strokes)
    outer = funnel_limits(strokes, model.mean, model.shape, 0.001)
    exact = rate_interval(counts, strokes, per=10**6)
    by_name = {row.rate.name: row for row in told.rows}
    for place, name in enumerate(("1-1", "1-2", "1-3")):
        row = by_name[name]
        assert row.outer == (outer.low[place] * 1e6, outer.high[place] * 1e6)
        assert (row.rate.low, row.rate.high) == (exact.low[place], exact.high[place])
        assert row.shrunk == model.rates[place] * 1e6
        assert row.probability_worst == model.probability_worst[place]
    shrunk = [row.shrunk for row in told.rows if row.shrunk is not None]
    assert shrunk == sorted(shrunk, reverse=True)
    assert told.rows[0].rate.name == "1-1"
    assert told.says.startswith("They differ beyond chance")


def test_machines_that_are_alike_are_said_to_be_and_none_is_outside(session: Session) -> None:
    told = ask(session, {"1-1": 10, "1-2": 20, "1-3": 10})
    assert told.says.startswith("These figures show no difference beyond chance")
    assert told.spread == 0
    assert {row.place for row in told.rows} == {Place.WITHIN}
    figure = funnel_figure(told)
    assert figure is not None
    assert len(figure.marks) == 3
    assert figure.outer == figure.chance
    assert all(mark.name == "" for mark in figure.marks)


def test_a_machine_that_never_ran_is_last_and_has_no_place(session: Session) -> None:
    told = ask(session, {"1-1": 5, "2-1": 1})
    last = told.rows[-1]
    assert (last.rate.name, last.place, last.shrunk) == ("2-1", Place.UNKNOWN, None)


def test_one_line_alone_has_nothing_to_be_compared_with(session: Session) -> None:
    told = ask(session, {"1-1": 5}, by=By.LINE)
    assert told.curve is None
    assert funnel_figure(told) is None
    assert told.says.startswith("There is nothing to compare")


def test_what_was_logged_later_is_not_known_earlier(session: Session) -> None:
    then = datetime(2026, 1, 1, tzinfo=UTC)
    told = ask(session, {"1-1": 5}, as_of=then)
    assert all(row.rate.counted == 0 for row in told.rows)


def test_the_number_of_statements_does_not_hang_on_the_entries(
    session: Session, engine: Engine
) -> None:
    numbers = []
    small_log.write_log(session, log_of({"1-1": 1, "1-2": 1, "1-3": 1}))
    plant, places = the_plant(session), directory(session)
    funnel_of(session, RateQuestion(small_log.day(0), small_log.day(1)), plant, places)
    statements = Statements(engine)
    for days in (2, small_log.DAYS - 1):
        asked = RateQuestion(small_log.day(0), small_log.day(days))
        with statements.counted() as sent:
            funnel_of(session, asked, plant, places)
        numbers.append(len(sent))
    statements.close()
    assert numbers[0] == numbers[1] > 0
