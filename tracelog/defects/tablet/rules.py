"""When an entry was logged, from the clock of a tablet and how far it was wrong. Pure."""

from datetime import datetime, timedelta

# What arrives this soon was logged at the moment of its arrival, as by a form that is sent.
AT_ONCE = timedelta(seconds=3)


def corrected(on_tablet: datetime, error_s: float | None, now: datetime) -> datetime:
    """The instant at which an entry was logged, by the server's clock.

    Args:
        on_tablet: what the tablet's clock said, UTC.
        error_s: how many seconds it was ahead (below zero: behind); None: not measured.
        now: when the server received the entry, UTC. Nothing is logged after that.

    Example:
        >>> from datetime import UTC
        >>> noon = datetime(2026, 3, 4, 12, tzinfo=UTC)
        >>> corrected(noon, 180, noon).isoformat()
        '2026-03-04T11:57:00+00:00'
    """
    try:
        moment = on_tablet - timedelta(seconds=error_s or 0.0)
    except OverflowError:
        return now
    return now if moment > now - AT_ONCE else moment
