"""A soak: hours kept step by step are those made anew, whatever comes late, twice or shuffled.

`python -m tests.bench.soaking --rounds 200` keeps throwing batches at one database: readings as
columns and one by one, some again, some late by weeks, some contradicting; events and settlements
among them. After every few rounds all hours and questions are made anew and must be the same.
"""

import random
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tests.bench.imports import postgresql
from tests.bench.measure import timed
from tests.strokes.counters import ACTOR, counter_event, derived, make_plant, reading, settlement
from tracelog.db import make_engine, upgrade, writing
from tracelog.strokes.actions import rebuild_strokes, record_counter_events, record_readings
from tracelog.strokes.column_actions import record_reading_columns
from tracelog.strokes.facts import CounterSettlementFact, ReadingFact
from tracelog.strokes.reading_columns import ReadingColumns
from tracelog.strokes.rules import CounterLimits
from tracelog.strokes.settlement_actions import record_counter_settlements

_MACHINES = 6
_STARTS = datetime(2026, 3, 1, tzinfo=UTC)
_NOW = _STARTS + timedelta(days=400)
_LAST = 999_999
_EVERY_ROUNDS = 10


class Soak:
    """One plant whose counters are told of in the worst order."""

    def __init__(self, seed: int) -> None:
        self._chance = random.Random(seed)
        self._ahead = dict.fromkeys(range(1, _MACHINES + 1), 0)
        self._held: list[ReadingFact] = []
        self._told: list[ReadingFact] = []

    def one_round(self, session: Session) -> int:
        """Send what one round brings; returns the number of readings sent."""
        batch = self._batch()
        if self._chance.random() < 0.5:
            record_reading_columns(session, ReadingColumns.of(batch), ACTOR, _NOW)
        else:
            record_readings(session, batch, ACTOR, _NOW)
        self._told = (self._told + batch)[-5_000:]
        if self._chance.random() < 0.3:
            about = self._chance.choice(self._told)
            at = about.read_at + timedelta(seconds=self._chance.choice([0, 7, 300]))
            event = counter_event(about.bodymaker, at, self._chance.choice([0, about.strokes]))
            record_counter_events(session, [event], ACTOR, _NOW)
        if self._chance.random() < 0.4:
            record_counter_settlements(session, [self._settlement()], ACTOR, _NOW)
        return len(batch)

    def _batch(self) -> list[ReadingFact]:
        """New readings, some of them held back, with late ones and repeats among them."""
        chance = self._chance
        batch = []
        for number in self._ahead:
            for _one in range(chance.choice([0, 1, 30, 200])):
                self._ahead[number] += chance.choice([1, 1, 1, 1, 200])
                at = _STARTS + timedelta(seconds=30 * self._ahead[number])
                figure = 160 * self._ahead[number] % (_LAST + 1)
                if chance.random() < 0.01:
                    figure = chance.randrange(_LAST + 5)
                batch.append(reading(number, at, figure))
        self._held += [one for one in batch if chance.random() < 0.1]
        held = set(map(id, self._held))
        batch = [one for one in batch if id(one) not in held]
        chance.shuffle(self._held)
        late, self._held = self._held[:20], self._held[20:]
        batch += late + chance.choices(self._told, k=min(5, len(self._told)))
        chance.shuffle(batch)
        return batch or [reading(1, _STARTS, 0)]

    def _settlement(self) -> CounterSettlementFact:
        chance = self._chance
        about = chance.choice(self._told or self._held)
        verdict = chance.choice(["made", "misread", "open"])
        earlier = about.read_at - timedelta(seconds=30)
        made = (earlier, chance.randrange(500)) if verdict == "made" else None
        settled_at = _NOW - timedelta(seconds=chance.randrange(10**6))
        return settlement(about.bodymaker, about.read_at, made, verdict, settled_at)


def soak(engine: Engine, rounds: int, seed: int) -> tuple[int, int]:
    """Run the rounds; returns readings sent, and hours at the end.

    Raises:
        AssertionError: hours or questions kept step by step are not those made anew.
    """
    upgrade(engine)
    story = Soak(seed)
    limits = CounterLimits(counter_max=_LAST, rated_spm=320)
    with writing(engine) as session:
        make_plant(session, "Europe/Madrid", dict.fromkeys(range(1, _MACHINES + 1), limits))
    sent = hours = 0
    for number in range(1, rounds + 1):
        with writing(engine) as session:
            sent += story.one_round(session)
        if number % _EVERY_ROUNDS == 0 or number == rounds:
            with writing(engine) as session:
                before = derived(session)
                rebuild_strokes(session, None, _NOW)
                assert derived(session) == before, f"seed {seed}, round {number}"
                hours = len(before[0])
    return sent, hours


@click.command()
@click.option("--rounds", default=200, show_default=True)
@click.option("--seed", default=1, show_default=True)
@click.option("--engine", "kind", type=click.Choice(["sqlite", "postgresql"]), default="sqlite")
def bench(rounds: int, seed: int, kind: str) -> None:
    """Throw readings at a database in the worst order, and compare with all made anew.

    Example: python -m tests.bench.soaking --rounds 1000 --seed 7
    """
    with tempfile.TemporaryDirectory(prefix="tracelog-bench-") as name, timed() as taken:
        if kind == "postgresql":
            with postgresql() as engine:
                sent, hours = soak(engine, rounds, seed)
        else:
            engine = make_engine(f"sqlite:///{Path(name) / 'tracelog.db'}")
            sent, hours = soak(engine, rounds, seed)
            engine.dispose()
    print(
        f"{rounds} rounds, {sent:,} readings sent, {hours:,} hours the same; {taken.seconds:.0f} s"
    )


if __name__ == "__main__":
    bench()
