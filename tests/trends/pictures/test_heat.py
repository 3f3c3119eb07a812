"""The heat map: what a cell is judged by, what did not run, what is silent, and how light it is."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trends import small_log
from tests.trends.pictures.test_funnel import log_of
from tracelog.errors import TracelogError
from tracelog.plant.queries import directory, the_plant
from tracelog.stats.cell_surprise import cell_surprise
from tracelog.stats.multiplicity import benjamini_hochberg
from tracelog.trends.pictures.heat import (
    HeatAnswer,
    HeatCell,
    adjusted_cells,
    heat_of,
    judged_cells,
    step_of,
)
from tracelog.trends.pictures.heat_page import address_of_cell, heat_page
from tracelog.trends.pictures.questions import Against, Columns, HeatQuestion
from tracelog.trends.questions import RateQuestion

CELLS = st.builds(HeatCell, st.integers(0, 30), st.integers(1, 10**7))
GRIDS = st.integers(1, 6).flatmap(
    lambda wide: st.lists(st.lists(CELLS, min_size=wide, max_size=wide), min_size=1, max_size=6)
)


def question(columns: Columns = Columns.DAY, **more: Any) -> HeatQuestion:
    """All days of the small log."""
    rates = RateQuestion(small_log.day(0), small_log.day(small_log.DAYS), **more)
    return HeatQuestion(rates, columns, Against.PLANT)


def ask(session: Session, asked: HeatQuestion) -> HeatAnswer:
    """The heat map of what is on record."""
    return heat_of(session, asked, the_plant(session), directory(session))


@given(st.floats(0, 1), st.floats(0, 1))
def test_a_step_has_the_sign_of_the_smaller_chance(high: float, low: float) -> None:
    step = step_of(high, low)
    assert -3 <= step <= 3
    if step > 0:
        assert high <= 0.05
        assert high <= low
    if step < 0:
        assert low <= 0.05
        assert low < high


@given(GRIDS, st.sampled_from(Against))
def test_what_is_expected_adds_up_to_what_was_found(
    grid: list[list[HeatCell]], against: Against
) -> None:
    judged = judged_cells(grid, against)
    groups = judged if against is Against.OWN else [[c for row in judged for c in row]]
    for cells in groups:
        expected = sum(cell.expected or 0 for cell in cells)
        assert expected == pytest.approx(sum(cell.count for cell in cells))


@given(GRIDS)
def test_adjusted_chances_are_those_of_benjamini_and_hochberg(grid: list[list[HeatCell]]) -> None:
    judged = [tuple(row) for row in judged_cells(grid, Against.PLANT)]
    before = [cell.p_value or 0.0 for row in judged for cell in row]
    after = [cell.p_value for row in adjusted_cells(judged) for cell in row]
    assert after == benjamini_hochberg(before).tolist()


def test_a_day_with_few_strokes_does_not_shout() -> None:
    usual = [HeatCell(10, 10**6)] * 20
    [[*_rest, short]] = judged_cells([[*usual, HeatCell(1, 10_000)]], Against.PLANT)
    assert short.per_million == 100
    assert short.step == 0 or short.step == 1
    [[*_rest, bad]] = judged_cells([[*usual, HeatCell(40, 10**6)]], Against.PLANT)
    assert bad.step == 3


def test_cells_hold_what_was_counted_and_idle_and_silent_ones_are_told(session: Session) -> None:
    small_log.write_log(session, log_of({"1-1": 4, "1-2": 8}))
    told = ask(session, question())
    rows = {row.machine.text: row for row in told.rows}
    assert [cell.count for cell in rows["1-1"].cells] == [1] * 4 + [0] * 6
    assert [cell.strokes for cell in rows["1-2"].cells] == [2_000_000] * 10
    # On the last two days nothing at all was logged on line 1, though it ran.
    assert [cell.silent for cell in rows["1-1"].cells] == [False] * 8 + [True] * 2
    assert rows["1-3"].unheard_of
    assert not rows["1-1"].unheard_of
    assert all(cell.step is None and not cell.silent for cell in rows["2-1"].cells)
    exact = cell_surprise([1], [10**6], 12, 40 * 10**6)
    assert rows["1-1"].cells[0].expected == exact.expected[0]


def test_kinds_are_each_judged_by_their_own_rate(session: Session) -> None:
    entries = log_of({"1-1": 12})
    wrinkles = [small_log.entry(n, "1-2", "wrinkle") for n in range(6)]
    small_log.write_log(session, [*entries, *wrinkles])
    told = ask(session, question(Columns.DEFECT))
    assert [column.key for column in told.columns] == ["split", "wrinkle"]
    rows = {row.machine.text: row for row in told.rows}
    split, wrinkle = rows["1-1"].cells
    assert (split.count, split.expected, split.step) == (12, 3.0, 3)
    assert wrinkle.expected == 1.5
    page = heat_page(told, small_log.ZONE, {"split": "split wall"})
    assert ("1-1", "split wall") in {(one.machine, one.column) for one in page.standouts}


def test_a_cell_leads_to_its_entries(session: Session) -> None:
    small_log.write_log(session, [])
    plant, places = the_plant(session), directory(session)
    address = address_of_cell(question(defects=("split",)), "1.2", plant, places)
    assert address.startswith("/log/entries?defect=split&machine=1-2&from=2026-03-24T23")
    kind = address_of_cell(question(Columns.DEFECT), "0.wrinkle", plant, places)
    assert "defect=wrinkle" in kind
    assert "machine=1-1" in kind
    for wrong in ("", "9.0", "0.99", "x.0", "0.x", "-1.0"):
        with pytest.raises(ValueError, match="^" + wrong.replace(".", r"\.") + "$"):
            address_of_cell(question(), wrong, plant, places)


def test_too_many_columns_are_told_at_their_field(session: Session) -> None:
    small_log.write_log(session, [])
    rates = RateQuestion(small_log.day(0), small_log.day(200))
    with pytest.raises(TracelogError, match="gives 200 columns") as told:
        ask(session, HeatQuestion(rates, Columns.DAY, Against.PLANT))
    assert told.value.faults[0].field == "columns"


def test_the_number_of_statements_does_not_hang_on_columns_or_entries(
    session: Session, engine: Engine
) -> None:
    small_log.write_log(session, log_of({"1-1": 5, "1-2": 9}))
    plant, places = the_plant(session), directory(session)
    ask(session, question())
    statements = Statements(engine)
    for columns in (Columns.DAY, Columns.DEFECT):
        numbers = []
        for days in (1, small_log.DAYS - 1):
            rates = RateQuestion(small_log.day(0), small_log.day(days))
            with statements.counted() as sent:
                heat_of(session, HeatQuestion(rates, columns, Against.PLANT), plant, places)
            numbers.append(len(sent))
        assert numbers[0] == numbers[1] > 0
    statements.close()
