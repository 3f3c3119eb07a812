"""Answers about a big plant, beside DuckDB over the raw events and pandas on loaded frames.

Rates: entries (their machine read) of one kind, and strokes, by machine and day over the last 90
days; and all machines by all kinds over a year. Floor, dossier, explanation and signals: ours is
the whole page, as the web application makes it; theirs are the bare figures it
rests on. Loading is not counted on either side, nor is what ours keeps ready: strokes by the hour,
tallies of entries, and signals, whose time is told beside.
"""

import statistics
import tempfile
from collections.abc import Callable, Iterator
from datetime import timedelta
from functools import partial
from itertools import count
from pathlib import Path
from typing import Any
from unittest.mock import patch
from urllib.parse import urlencode

from sqlalchemy import Engine, inspect

from tests.bench import raw_frames, raw_pages, raw_rates
from tests.bench.measure import print_table, timed
from tests.bench.pages import body_of
from tests.bench.raw_events import RawEvents, read_raw
from tests.bench.raw_rates import DAYS_90, DEFECT, YEAR
from tests.bench.tracing_tables import END, FIRST, NUMBERS, Size, build
from tests.support.site import Cast, Visit, application_on
from tracelog.buckets import Bucket
from tracelog.db import make_engine, reading, reading_one_moment, writing
from tracelog.instants import write_instant
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rates import rates
from tracelog.trends.rules import By
from tracelog.trends.signals.actions import keep
from tracelog.trends.signals.queries import worked_out_until
from tracelog.trends.signals.working import work_out_anew

ASKED = 9
_NOW = END + timedelta(minutes=5)
# A name, and how we, DuckDB and pandas answer it.
Question = tuple[str, Callable[[], Any], Callable[[], Any], Callable[[], Any]]


def print_comparing(size: Size, databases: tuple[str, ...], *, rates_only: bool = False) -> None:
    """Build the plant on SQLite, or use databases that hold it, and print what each takes.

    Args:
        size: of the plant.
        databases: addresses; one that is empty is filled and kept. None: one on SQLite.
        rates_only: whether to leave out the pages.
    """
    with tempfile.TemporaryDirectory(prefix="tracelog-compare-") as name:
        for url in databases or (f"sqlite:///{Path(name) / 'compare.db'}",):
            engine = make_engine(url)
            if not inspect(engine).has_table("stroke_hours"):
                build(engine, size)
            _print_one(engine, Path(name), rates_only=rates_only)
            engine.dispose()


def _print_one(engine: Engine, folder: Path, *, rates_only: bool) -> None:
    raw = read_raw(engine)
    questions = [*_rates(engine, raw)]
    if not rates_only:
        _work_out_signals(engine)
        questions += _answers(engine, folder, raw)
    entries, readings = len(raw["entries"]), len(raw["readings"])
    print_table(
        f"{engine.dialect.name}: {entries:,} entries, {readings:,} readings",
        ("question", "ours ms", "DuckDB ms", "pandas ms", "x DuckDB", "x pandas"),
        [_row(*one) for one in questions],
    )


def _work_out_signals(engine: Engine) -> None:
    """Work out the signals of three years and keep them, unless they are kept already."""
    with patch("tracelog.instants.now", lambda: _NOW):
        with reading(engine) as session:
            if worked_out_until(session) is not None:
                return
        with timed() as taken, reading_one_moment(engine) as session:
            work = work_out_anew(session, _NOW)
        with writing(engine) as session:
            keep(session, work)
    print(f"{engine.dialect.name}: signals of three years worked out in {taken.seconds:.0f} s")


def _row(
    name: str, ours: Callable[[], Any], duck: Callable[[], Any], frames: Callable[[], Any]
) -> tuple[str, ...]:
    own, ducks, framed = (_median_ms(ask) for ask in (ours, duck, frames))
    told = (f"{one:.1f}" for one in (own, ducks, framed))
    return (name, *told, f"{own / ducks:.2f}", f"{own / framed:.2f}")


def _median_ms(ask: Callable[[], Any]) -> float:
    ask()
    times = []
    for _each in range(ASKED):
        with timed() as taken:
            ask()
        times.append(taken.seconds * 1000)
    return statistics.median(times)


def _rates(engine: Engine, raw: RawEvents) -> Iterator[Question]:
    yield (
        f"rates: {DEFECT} by machine and day, 90 days",
        partial(_asked, engine, RateQuestion(*DAYS_90, defects=(DEFECT,), bucket=Bucket.DAY)),
        partial(raw_rates.duck_by_day, raw),
        partial(raw_rates.pandas_by_day, raw),
    )
    yield (
        "rates: all machines by all kinds, a year",
        partial(_asked, engine, RateQuestion(*YEAR, across=By.DEFECT)),
        partial(raw_rates.duck_all, raw),
        partial(raw_rates.pandas_all, raw),
    )


def _asked(engine: Engine, question: RateQuestion) -> int:
    with patch("tracelog.instants.now", lambda: _NOW), reading(engine) as session:
        answer = rates(session, question)
    assert answer.rows
    return len(answer.rows)


def _answers(engine: Engine, folder: Path, raw: RawEvents) -> Iterator[Question]:
    visit = Visit(application_on(engine, folder).test_client())
    minutes = count()
    # Whoever signed in may not be away for long; each call is in a minute of its own, so that
    # nothing of the last one is shown again.
    with patch("tracelog.instants.now", lambda: _NOW):
        Cast(engine).sign_in(visit, "administrator")

    def seen(address: str) -> bytes:
        present = _NOW + timedelta(minutes=next(minutes))
        with patch("tracelog.instants.now", lambda: present):
            return body_of(visit, address)

    yield (
        "Floor: page",
        partial(seen, "/"),
        partial(raw_pages.duck_floor, raw),
        partial(raw_frames.pandas_floor, raw),
    )
    # Each of the three goes through the same cans, the next one with every call.
    own_cans, duck_cans, frame_cans = _cans(), _cans(), _cans()
    yield (
        "dossier: page",
        lambda: seen("/trace?" + urlencode(_code_and_time(*next(own_cans)))),
        lambda: raw_pages.duck_dossier(raw, *next(duck_cans)),
        lambda: raw_frames.pandas_dossier(raw, *next(frame_cans)),
    )
    asked = {"defect": DEFECT, "to": write_instant(END)}
    yield (
        "explanation of eight weeks: page",
        partial(seen, "/cases/explain?" + urlencode(asked)),
        partial(raw_pages.duck_explain, raw, DEFECT),
        partial(raw_frames.pandas_explain, raw, DEFECT),
    )
    yield (
        "signals, as kept: page",
        partial(seen, "/trends/signals"),
        partial(raw_pages.duck_signals, raw),
        partial(raw_frames.pandas_signals, raw),
    )


def _cans() -> Iterator[tuple[int, Any]]:
    """Machines by place and instants."""
    for number in count():
        yield number * 11 % (4 * NUMBERS), FIRST + timedelta(days=300 + 77 * number % 700, hours=7)


def _code_and_time(machine: int, at: Any) -> dict[str, str]:
    return {"code": f"{machine // NUMBERS + 1}-{machine % NUMBERS + 1}", "at": write_instant(at)}
