"""Reads of one plant of a group: how it stands, its rates, its signals, and how old that is."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy import text
from sqlalchemy.orm import Session

from tracelog.defects.queries import first_and_last, vocabulary
from tracelog.floor.queries import FloorLine, floor
from tracelog.group.asking import Told
from tracelog.instants import write_instant
from tracelog.plant.queries import PlantView, directory, the_plant
from tracelog.stats.intervals import rate_interval
from tracelog.strokes.queries import last_reading
from tracelog.trace.holds.queries import HoldFilter, holds
from tracelog.trends.answers import RateRow
from tracelog.trends.queries import known_words
from tracelog.trends.questions import read_rate_question
from tracelog.trends.rates import rates
from tracelog.trends.signals.queries import SignalView, kept_signals

DUE_SOON = timedelta(days=7)
USUAL_PERIOD = timedelta(days=28)
_LINK = text(
    "SELECT s.subname, s.subenabled, st.pid IS NOT NULL AS connected, st.last_msg_receipt_time"
    " FROM pg_subscription s LEFT JOIN pg_stat_subscription st"
    " ON st.subid = s.oid AND st.relid IS NULL WHERE s.subdbid ="
    " (SELECT oid FROM pg_database WHERE datname = current_database()) LIMIT 1"
)


@dataclass(frozen=True)
class Freshness:
    """How old a plant's data are at the centre.

    Attributes:
        link: ``connected`` or ``cut`` where they are replicated, ``direct`` where they are read in
            the plant's own database.
        heard_at: when the plant was last heard of, UTC; None: not known.
        last_fact_at: when the last entry or reading was made, UTC; None: there is none.
    """

    link: str
    heard_at: datetime | None
    last_fact_at: datetime | None


@dataclass(frozen=True)
class PlantNow:
    """One plant as it stands: what its floor, its services and its stock ask for."""

    plant: PlantView
    freshness: Freshness
    lines: tuple[FloorLine, ...]
    overdue: int
    due_soon: int
    holds_open: int
    signals: tuple[SignalView, ...]
    defects: tuple[tuple[str, str], ...] = field(repr=False)

    @property
    def machines(self) -> int:
        """Bodymakers on all lines."""
        return sum(len(line.machines) for line in self.lines)

    @property
    def needing(self) -> int:
        """Bodymakers that need somebody."""
        return sum(len(line.needing) for line in self.lines)

    @property
    def strokes_recent(self) -> int:
        """Strokes of the last 24 hours."""
        return sum(line.strokes_recent for line in self.lines)

    @property
    def entries_recent(self) -> int:
        """Entries of the last 24 hours."""
        return sum(line.entries_recent for line in self.lines)


@dataclass(frozen=True)
class GroupRate:
    """The rate of one plant, or of all together, per million strokes with its 95 % interval."""

    counted: int
    strokes: int
    per_million: float | None
    low: float | None
    high: float | None


def plant_now(as_of: datetime) -> Callable[[Session], PlantNow]:
    """The question how a plant stands at an instant, UTC. A fixed number of statements."""

    def read(session: Session) -> PlantNow:
        plant = the_plant(session)
        lines = tuple(floor(session, as_of))
        standings = [one.standing for line in lines for one in line.machines if one.standing]
        soon = as_of.astimezone(plant.zone).date() + DUE_SOON
        return PlantNow(
            plant,
            freshness(session),
            lines,
            sum(one.is_overdue for one in standings),
            sum(
                not one.is_overdue and one.due.due is not None and one.due.due <= soon
                for one in standings
            ),
            len(holds(session, HoldFilter(is_open=True), as_of)),
            _signals(session),
            tuple((kind.defect, kind.title) for kind in vocabulary(session)),
        )

    return read


def signals_now(session: Session) -> tuple[SignalView, ...]:
    """The signals of a plant that are on and not dismissed, the latest raised first."""
    return _signals(session)


def _signals(session: Session) -> tuple[SignalView, ...]:
    found = kept_signals(session, directory(session), only_on=True)
    return tuple(one for one in found if one.is_open)


def plant_rate(
    defects: Sequence[str], start: datetime, end: datetime, now: datetime
) -> Callable[[Session], GroupRate]:
    """The question for a plant's rate of some kinds of defect (none: of all) in a period, UTC."""

    def read(session: Session) -> GroupRate:
        plant, places = the_plant(session), directory(session)
        asked = {
            "by": ["plant"],
            "from": [write_instant(start)],
            "to": [write_instant(end)],
            **({"defect": list(defects)} if defects else {}),
        }
        question = read_rate_question(asked, known_words(session, plant, places, now))
        return _rate(rates(session, question, plant, places).together)

    return read


def _rate(row: RateRow) -> GroupRate:
    return GroupRate(row.counted, row.exposure, row.per_million, row.low, row.high)


def together(rates_told: Sequence[Told[GroupRate]]) -> GroupRate:
    """The rate of all plants that answered, counts and strokes added up; Garwood's interval."""
    known = [one.answer for one in rates_told if one.answer is not None]
    counted, strokes = sum(one.counted for one in known), sum(one.strokes for one in known)
    if strokes == 0:
        return GroupRate(counted, 0, None, None, None)
    found = rate_interval(counted, strokes)
    return GroupRate(counted, strokes, found.estimate, found.low, found.high)


def freshness(session: Session) -> Freshness:
    """How old what a session reads is."""
    facts = [one.read_at for one in last_reading(session).values()]
    logged = first_and_last(session)
    if logged is not None:
        facts.append(logged[1])
    last = max(facts, default=None)
    if session.get_bind().dialect.name != "postgresql":
        return Freshness("direct", None, last)
    link = session.execute(_LINK).first()
    if link is None:
        return Freshness("direct", None, last)
    on = bool(link.subenabled and link.connected)
    return Freshness("connected" if on else "cut", link.last_msg_receipt_time if on else None, last)
