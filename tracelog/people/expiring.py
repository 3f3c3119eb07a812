"""When tokens and screens end: the field of a form that names a day."""

from datetime import date, datetime

from tracelog.errors import NoPlant, TracelogError
from tracelog.instants import start_of_day, zone_named
from tracelog.language import _
from tracelog.web.request import the_plant_now


def end_of(day: str) -> datetime | None:
    """The first instant (UTC) of a day on the plant's clock, None if the field is blank.

    Raises:
        TracelogError: it is no day; at the field ``expires_on``.
    """
    if not day:
        return None
    try:
        zone = the_plant_now().zone
    except NoPlant:
        zone = zone_named("UTC")
    try:
        return start_of_day(date.fromisoformat(day), zone)
    except (ValueError, OverflowError):
        raise TracelogError(
            _("is not a day; write it such as 2026-12-31, or leave it blank"), "expires_on"
        ) from None
