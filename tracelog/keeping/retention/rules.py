"""Which months are old enough to go, and what their files are called. Pure."""

from datetime import datetime

from tracelog.strokes.partitions import following, month_of


def goes_before(now: datetime, keep: int) -> datetime:
    """The first instant (UTC) of the months that stay.

    Args:
        now: UTC.
        keep: how many whole months before the present one stay; at least 1.

    Example:
        >>> from datetime import UTC
        >>> goes_before(datetime(2026, 11, 27, 9, tzinfo=UTC), 24).isoformat()
        '2024-11-01T00:00:00+00:00'
    """
    return following(month_of(now), -keep)


def months_between(first: datetime, end: datetime) -> list[datetime]:
    """The months from the one in which an instant lies up to another month, that one left out."""
    months = []
    month = month_of(first)
    while month < end:
        months.append(month)
        month = following(month)
    return months


def file_of(month: datetime) -> str:
    """The name of a month's file.

    Example:
        >>> from datetime import UTC
        >>> file_of(datetime(2024, 3, 1, tzinfo=UTC))
        'readings-2024-03.parquet'
    """
    return f"readings-{month:%Y-%m}.parquet"
