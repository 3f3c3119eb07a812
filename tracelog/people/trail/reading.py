"""Which records are meant: the same parameters for page, file and API."""

from zoneinfo import ZoneInfo

from tracelog.people.trail.queries import TrailFilter
from tracelog.web.parameters import Parameters

FILTERS = ("words", "who", "door", "kind", "from", "to")
HIGHEST = 2**62


def read_filter(asked: Parameters, zone: ZoneInfo) -> TrailFilter:
    """The records that parameters ask for; what is wrong with them is told to `asked`.

    Args:
        asked: the parameters of the request, not finished yet.
        zone: the plant's, for days and for instants without an offset.
    """
    start, end = asked.period(zone)
    return TrailFilter(
        words=tuple((asked.text("words") or "").split()),
        who=asked.text("who"),
        door=asked.text("door"),
        kind=asked.text("kind"),
        start=start,
        end=end,
    )
