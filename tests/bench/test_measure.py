"""The bench counts what it says it counts."""

import pytest
from sqlalchemy import Engine, text

from tests.bench.measure import Cost, cost_of, print_costs


def test_statements_are_those_of_one_call(engine: Engine) -> None:
    def page() -> bytes:
        with engine.connect() as connection:
            for _ in range(3):
                connection.execute(text("SELECT 1"))
        return b"four"

    cost = cost_of("Floor", page, engine, repeats=2)
    assert (cost.statements, cost.bytes_sent) == (3, 4)
    assert cost.first_ms > 0
    assert cost.median_ms > 0


def test_a_page_that_fails_is_not_timed(engine: Engine) -> None:
    def page() -> bytes:
        raise LookupError("no such page")

    with pytest.raises(LookupError, match="no such page"):
        cost_of("Nowhere", page, engine)


def test_each_page_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    floor, live = Cost("Floor", 21.0, 3.14, 4, 12_345), Cost("live", 1.0, 0.5, 0, 18)
    print_costs("Demo year", [floor], live)
    (line,) = [line for line in capsys.readouterr().out.splitlines() if "Floor" in line]
    assert line.replace("|", " ").split() == ["Floor", "21", "3.1", "6.3", "4", "12.3"]
