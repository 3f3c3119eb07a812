"""Whoever waits for SQLite's one writer on behalf of many takes the place when it is free."""

import threading
import time
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import OperationalError

from tracelog.db import make_engine, writing


def test_the_place_is_taken_soon_after_it_is_free(tmp_path: Path) -> None:
    engine = make_engine(f"sqlite:///{tmp_path / 'own.db'}")
    given_back = []

    def hold(began: threading.Event) -> None:
        with writing(engine) as session:
            session.execute(text("CREATE TABLE own (id INTEGER)"))
            began.set()
            # By then SQLite itself would look ten times a second.
            time.sleep(0.6)
        given_back.append(time.monotonic())

    began = threading.Event()
    holder = threading.Thread(target=hold, args=(began,))
    holder.start()
    assert began.wait(10)
    with writing(engine, 10_000, looks_often=True) as session:
        session.execute(text("INSERT INTO own VALUES (1)"))
        holder.join()
        assert session.execute(text("PRAGMA busy_timeout")).scalar() == 10_000
    assert len(given_back) == 1
    with writing(engine) as session:
        assert session.execute(text("SELECT count(*) FROM own")).scalar() == 1
    engine.dispose()


def test_it_is_given_up_in_time_and_the_connection_is_good_for_others(tmp_path: Path) -> None:
    engine = make_engine(f"sqlite:///{tmp_path / 'own.db'}")
    with writing(engine) as holder:
        holder.execute(text("CREATE TABLE own (id INTEGER)"))
        began = time.monotonic()
        with (
            pytest.raises(OperationalError, match="locked"),
            writing(engine, 50, looks_often=True) as session,
        ):
            session.execute(text("INSERT INTO own VALUES (1)"))
        assert 0.05 <= time.monotonic() - began < 8
    for looks_often in (False, True):
        with writing(engine, looks_often=looks_often) as session:
            session.execute(text("INSERT INTO own VALUES (1)"))
    with writing(engine) as session:
        assert session.execute(text("SELECT count(*) FROM own")).scalar() == 2
    engine.dispose()
