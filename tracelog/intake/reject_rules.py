"""Messages that could not be taken: how they are cut, told and counted; no database, no clock."""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypeAlias

from tracelog.language import _

# As much of a payload is kept as somebody can look at.
KEPT_PAYLOAD_BYTES = 2000
LONGEST_TOPIC = 500
# Bounds of what one minute can leave behind, whoever sends whatever.
MOST_PER_TOPIC = 5
MOST_PER_MINUTE = 300
MOST_TOLD_PER_MINUTE = 50
# In the place of a payload's digest or a topic where there were too many to keep each.
FURTHER_PAYLOADS = "further payloads"
FURTHER_TOPICS = "(further topics)"


@dataclass(frozen=True, slots=True)
class Arrived:
    """One message as it came.

    Attributes:
        source: how it came, ``mqtt`` or ``opcua``.
        topic: the topic, or the address of the node.
        payload: its first bytes, at most `KEPT_PAYLOAD_BYTES`.
        arrived_at: when, by our clock, UTC.
        size: bytes of the whole payload.
        sha256: of the whole payload where only a part of it is kept, else empty.
    """

    source: str
    topic: str
    payload: bytes
    arrived_at: datetime
    size: int
    sha256: str = ""

    @classmethod
    def of(cls, source: str, topic: str, payload: bytes, arrived_at: datetime) -> "Arrived":
        """Take a message in, cutting a payload that nobody could look at."""
        size = len(payload)
        if size <= KEPT_PAYLOAD_BYTES:
            return cls(source, topic, payload, arrived_at, size)
        digest = hashlib.sha256(payload).hexdigest()
        return cls(source, topic, payload[:KEPT_PAYLOAD_BYTES], arrived_at, size, digest)

    @property
    def digest(self) -> str:
        """SHA-256 of the whole payload."""
        return self.sha256 or hashlib.sha256(self.payload).hexdigest()


@dataclass(frozen=True, slots=True)
class Reject:
    """A message that cannot be taken, and the sentence that says why and what would be right."""

    origin: Arrived
    reason: str


# Source, topic, minute, digest of the payload: what is kept once and counted.
Key: TypeAlias = tuple[str, str, datetime, str]


@dataclass(frozen=True)
class Tally:
    """How often a message came within its minute, and when last."""

    key: Key
    payload: bytes
    reason: str
    times: int
    last_at: datetime


def minute_of(moment: datetime) -> datetime:
    """Start of the minute that holds an instant."""
    return moment.replace(second=0, microsecond=0)


def tallied(rejects: Iterable[Reject], before: Mapping[Key, Tally]) -> dict[Key, Tally]:
    """Count rejects into what their minutes hold already.

    A minute keeps at most `MOST_PER_TOPIC` different payloads of a topic, and `MOST_PER_MINUTE`
    rows of a source; what goes beyond is counted in one row of the topic, or of the source.

    Args:
        rejects: in order of arrival.
        before: what is on record for the same sources and minutes.

    Returns:
        The rows that are new or have another count than before.
    """
    rows = dict(before)
    changed: dict[Key, Tally] = {}
    for reject in rejects:
        one = _tally_of(reject, rows)
        there = rows.get(one.key)
        if there is not None:
            last_at = max(there.last_at, one.last_at)
            one = replace(there, times=there.times + 1, last_at=last_at)
        rows[one.key] = changed[one.key] = one
    return changed


def _tally_of(reject: Reject, rows: Mapping[Key, Tally]) -> Tally:
    """The row that a reject counts in, as if it were the first there."""
    origin = reject.origin
    at = origin.arrived_at
    minute, topic = minute_of(at), storable(origin.topic)[:LONGEST_TOPIC]
    key = (origin.source, topic, minute, origin.digest)
    if key not in rows:
        same = [one for one in rows if one[0] == origin.source and one[2] == minute]
        if len(same) >= MOST_PER_MINUTE:
            reason = _("more topics than are kept of one minute; only counted")
            return Tally((origin.source, FURTHER_TOPICS, minute, ""), b"", reason, 1, at)
        if sum(one[1] == topic for one in same) >= MOST_PER_TOPIC:
            reason = _("more different messages than are kept of a topic and minute; only counted")
            return Tally((origin.source, topic, minute, FURTHER_PAYLOADS), b"", reason, 1, at)
    return Tally(key, origin.payload, storable(reject.reason), 1, at)


def storable(text: str) -> str:
    """Text that every database can hold, and a log line can show: no control characters."""
    whole = text.encode("utf-8", "replace").decode("utf-8")
    return "".join(sign if sign.isprintable() else "\ufffd" for sign in whole)


class Told:
    """Which topics were told of in this minute, so that a log is not flooded."""

    def __init__(self) -> None:
        self._minute: datetime | None = None
        self._topics: set[tuple[str, str]] = set()

    def sentence(self, reject: Reject) -> str | None:
        """The line to log for a reject; None if its topic was told of in the same minute."""
        origin = reject.origin
        minute = minute_of(origin.arrived_at)
        if minute != self._minute:
            self._minute, self._topics = minute, set()
        named = (origin.source, origin.topic)
        if named in self._topics or len(self._topics) > MOST_TOLD_PER_MINUTE:
            return None
        self._topics.add(named)
        if len(self._topics) > MOST_TOLD_PER_MINUTE:
            return _("rejected messages of more topics; all are on the page of rejected messages")
        topic = storable(origin.topic)[:LONGEST_TOPIC]
        return _("rejected %(topic)s: %(why)s", topic=topic, why=storable(reject.reason))
