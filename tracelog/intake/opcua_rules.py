"""What an OPC UA server shows of a counter, made into a reading or a reason why not.

No database, no network, no clock: instants and elapsed time are given.
"""

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from tracelog.errors import BadFact
from tracelog.instants import write_instant
from tracelog.intake.arrivals import CollectedReading, ahead_of_clock
from tracelog.intake.opcua_map import Clock, MappedCounter
from tracelog.intake.reject_rules import Arrived, Reject
from tracelog.language import _
from tracelog.strokes.facts import ReadingFact

SOURCE = "opcua"
# Controllers whose clock was never set begin in 1970, 1980, 1990 or 2000, and OPC UA's blank
# instant is in 1601 (from memory).
_CLOCK_WAS_SET_AFTER = datetime(2015, 1, 1, tzinfo=UTC)
# As far as stamps may be out of order, or a clock run behind ours while its counter stands: what
# servers that ask their controllers in turn differ by. Common practice, no source.
_DRIFT = timedelta(minutes=1)
_LEAST = timedelta(microseconds=1)
_UTC_ZONE = ZoneInfo("UTC")


@dataclass(frozen=True, slots=True)
class Shown:
    """What a server said of a node at one moment.

    Attributes:
        value: as the library decodes it; any type.
        reason: empty when the server vouches for the value, else the sentence that says why not.
        source_at: when the value last changed, by the clock of its source, UTC; None: not said.
        server_at: when the server knew the value, by its clock, UTC; None: not said.
        arrived_at: when it arrived, by our clock, UTC.
        elapsed: seconds on a clock that nobody sets, to tell how much later than another.
    """

    value: object
    reason: str
    source_at: datetime | None
    server_at: datetime | None
    arrived_at: datetime
    elapsed: float


@dataclass(frozen=True, slots=True)
class _Dated:
    stamp: datetime
    elapsed: float
    at: datetime
    strokes: int


class CounterReader:
    """Reads one counter: judges and dates what the server shows of it, in order of arrival.

    Args:
        counter: machine and node.
        clock: whose clock dates a reading.
    """

    def __init__(self, counter: MappedCounter, clock: Clock) -> None:
        self.counter = counter
        self._clock = clock
        self._last: _Dated | None = None

    def read(self, shown: Shown) -> CollectedReading | Reject | None:
        """What the server shows, as a reading; None: it says nothing that was not known."""
        origin = self._origin(shown)
        try:
            if shown.reason:
                raise ValueError(shown.reason)
            strokes = whole(shown.value)
            at = self._date(shown, strokes)
        except ValueError as problem:
            return Reject(origin, str(problem))
        if at is None:
            return None
        values = {"line": self.counter.line, "bodymaker": self.counter.bodymaker}
        try:
            fact = ReadingFact.read({**values, "read_at": at, "strokes": strokes}, _UTC_ZONE)
        except BadFact as problem:
            return Reject(origin, str(problem))
        return CollectedReading(fact, origin)

    def refuse(self, reason: str, arrived_at: datetime) -> Reject:
        """The reject of a node from which nothing comes.

        Args:
            reason: the sentence that says why.
            arrived_at: when that was found, UTC.
        """
        return Reject(Arrived.of(SOURCE, self.counter.node.text, b"", arrived_at), reason)

    def _origin(self, shown: Shown) -> Arrived:
        # Without the timestamps: the same bad value again is the same message again.
        told = {"value": shown.value, "is": shown.reason or "good"}
        payload = json.dumps(told, default=str, ensure_ascii=False)
        encoded = payload.encode("utf-8", "replace")
        return Arrived.of(SOURCE, self.counter.node.text, encoded, shown.arrived_at)

    def _stamp(self, shown: Shown) -> datetime:
        stamps = {
            Clock.SOURCE: (shown.source_at, shown.server_at),
            Clock.SERVER: (shown.server_at,),
            Clock.ARRIVAL: (),
        }[self._clock]
        for stamp in stamps:
            if stamp is not None and stamp >= _CLOCK_WAS_SET_AFTER:
                return stamp
        return shown.arrived_at

    def _date(self, shown: Shown, strokes: int) -> datetime | None:
        """The instant of a reading, later than the one before it.

        A counter that stands keeps its stamp, and so do quick changes under a coarse clock: these
        are dated by the stamp and the time that has passed since it was first seen, which is the
        same clock's time or a little less.

        Raises:
            ValueError: the clock is ahead of ours, or was put back.
        """
        stamp = self._stamp(shown)
        sentence = ahead_of_clock(stamp, shown.arrived_at)
        if sentence:
            raise ValueError(sentence)
        last = self._last
        if last is None:
            self._last = _Dated(stamp, shown.elapsed, stamp, strokes)
            return stamp
        is_new = strokes != last.strokes
        if stamp < last.stamp and not is_new:
            return None
        elapsed = last.elapsed if stamp == last.stamp else shown.elapsed
        at = stamp + timedelta(seconds=shown.elapsed - elapsed)
        if at <= last.at:
            if is_new and last.at - at > _DRIFT:
                raise ValueError(_put_back(at, last.at))
            at = last.at + _LEAST if is_new else last.at
        self._last = _Dated(stamp, elapsed, at, strokes)
        return at if at > last.at else None


def whole(value: object) -> int:
    """The figure of a counter.

    Args:
        value: of any type; a float that is a whole number is one.

    Raises:
        ValueError: not a whole number, with the sentence to show.
    """
    if isinstance(value, float) and value.is_integer():
        return int(value)
    if value is None:
        raise ValueError(_("the node has no value yet"))
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(
            _(
                "'%(value)s' is not a whole number; name the node of the counter itself",
                value=str(value)[:60],
            )
        )
    return int(value)


def _put_back(stamp: datetime, last: datetime) -> str:
    return _(
        "read_at: %(stamp)s lies before %(last)s, the reading before it; the clock was put back,"
        " so have it set by a time server, or choose another with time in the map",
        stamp=write_instant(stamp),
        last=write_instant(last),
    )
