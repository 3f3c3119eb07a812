"""The documented answers about service, the same for command and API."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from tracelog.service.queries import ServiceStanding


def forecast_answer(standings: Iterable[ServiceStanding], as_of: datetime) -> dict[str, Any]:
    """The forecast as JSON-ready values; dates are days on the plant's clock.

    `since_known` is false where no such service is on record and strokes count from the first
    reading; `due_by` says whether strokes or days come first.
    """
    return {
        "as_of": as_of,
        "machines": [
            {
                "machine": one.machine.text,
                "service": one.level.service,
                "strokes_since": one.strokes_since,
                "interval_strokes": one.level.interval_strokes,
                "strokes_per_day": round(one.use.mean),
                "due_early": _day(one.due.due_early),
                "due": _day(one.due.due),
                "due_late": _day(one.due.due_late),
                "due_by": one.due.by,
                "since_known": one.done_at is not None,
            }
            for one in standings
        ],
    }


def _day(value: Any) -> str | None:
    return None if value is None else value.isoformat()
