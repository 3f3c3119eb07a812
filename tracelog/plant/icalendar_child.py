"""Reading calendar files in a process of its own, which is ended when it takes too long.

The rules of repetitions and time zones are small programs. What `icalendar_text` lets through can
still be more than a server should wait for, or hold in its memory.
"""

import contextlib
import json
import subprocess
import sys
from dataclasses import asdict
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.errors import TracelogError
from tracelog.instants import write_instant
from tracelog.language import _
from tracelog.plant.icalendar_events import CalendarContent, CalendarEvent, read_calendar
from tracelog.plant.icalendar_text import checked_text

LONGEST_SECONDS = 20
MOST_MEMORY = 1_500_000_000
_INSTANTS = ("starts_at", "ends_at", "changed_at")


def read_calendar_apart(
    raw: bytes, zone: ZoneInfo, start: datetime, end: datetime
) -> CalendarContent:
    """Read the events of a calendar file that share an instant with [start, end).

    Args:
        raw: the file.
        zone: the plant's zone.
        start, end: UTC.

    Raises:
        TracelogError: the file as a whole cannot be taken, or takes too long; at ``file``.
    """
    checked_text(raw)
    asked = {"zone": zone.key, "start": write_instant(start), "end": write_instant(end)}
    try:
        # Nothing of what is run comes from outside; the file is only handed to it.
        done = subprocess.run(
            [sys.executable, "-W", "ignore", "-m", "tracelog.plant.icalendar_child"],
            input=json.dumps(asked).encode() + b"\n" + raw,
            capture_output=True,
            timeout=LONGEST_SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired:
        done = None
    if done is None or done.returncode != 0:
        raise TracelogError(
            _(
                "asks for more repetitions than can be worked out in %(seconds)d seconds;"
                " export a shorter time or single events",
                seconds=LONGEST_SECONDS,
            ),
            "file",
        )
    return _content(json.loads(done.stdout))


def _content(answer: dict[str, Any]) -> CalendarContent:
    if "sentence" in answer:
        raise TracelogError(answer["sentence"], "file")
    events = []
    for values in answer["events"]:
        for name in _INSTANTS:
            if values[name] is not None:
                values[name] = datetime.fromisoformat(values[name])
        values["categories"] = tuple(values["categories"])
        events.append(CalendarEvent(**values))
    return CalendarContent(
        tuple(events),
        frozenset(answer["uids"]),
        answer["without_length"],
        tuple(answer["faults"]),
    )


def main() -> None:
    """Read a question and a file from standard input, and write the answer."""
    with contextlib.suppress(ImportError, ValueError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
        resource.setrlimit(resource.RLIMIT_CPU, (LONGEST_SECONDS, LONGEST_SECONDS))
    asked = json.loads(sys.stdin.buffer.readline())
    start, end = (datetime.fromisoformat(asked[name]) for name in ("start", "end"))
    answer: dict[str, Any]
    try:
        answer = asdict(read_calendar(sys.stdin.buffer.read(), ZoneInfo(asked["zone"]), start, end))
        answer["uids"] = sorted(answer["uids"])
    except TracelogError as problem:
        answer = {"sentence": problem.sentence}
    sys.stdout.write(json.dumps(answer, default=_plain))


def _plain(value: datetime) -> str:
    return value.isoformat()


if __name__ == "__main__":
    main()
