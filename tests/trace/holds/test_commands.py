"""`tracelog holds` and `tracelog complaints`: what is open, as a table and as JSON."""

import json

from sqlalchemy import Engine

from tests.cases.complaints.small_complaints import written
from tests.support.command import Command
from tests.trace.holds.small_stock import MINUTE, NOW, held, step_fact, write, write_stock
from tracelog.db import make_engine, writing


def _fill(url: str) -> Engine:
    engine = make_engine(url)
    with writing(engine) as session:
        write_stock(session)
        hold = held(session)
        write(session, step_fact(hold, "released", "P-1"))
        held(session, pallets=["P-5"], now=NOW + 5 * MINUTE)
        written(session)
    engine.dispose()
    return engine


def test_holds_and_complaints_are_listed(command: Command, database_url: str) -> None:
    _fill(database_url)
    found = json.loads(command("holds", "--open", "--json").stdout)["holds"]
    assert [(one["number"], one["on_hold"]) for one in found] == [(2, 1), (1, 2)]
    assert [one["state"] for one in found[1]["list"]] == ["released", "held", "held"]
    then = (NOW + MINUTE).isoformat()
    (only,) = json.loads(command("holds", "--as-of", then, "--json").stdout)["holds"]
    assert only["on_hold"] == 3
    table = command("holds", "--pallet", "P-5").stdout
    assert "splits at 1-1" in table
    assert "16,338" not in table
    (complaint,) = json.loads(command("complaints", "--open", "--json").stdout)["complaints"]
    assert (complaint["code"], complaint["late"]) == ("1-1", True)
    assert "Q-2291" in command("complaints").stdout
    assert "Q-2291" not in command("complaints", "--pallet", "P-4").stdout
