"""Parts of stations that come round in turn, and where stations stand in the process. Pure."""

from dataclasses import dataclass

from tracelog import reference


@dataclass(frozen=True)
class StationPartView:
    """Parts of one kind of a station; `count` 0: it has none."""

    line: int
    station: str
    part: str
    count: int

    @property
    def key(self) -> tuple[int, str, str]:
        """What tells it from others."""
        return self.line, self.station, self.part


def station_order(station: str) -> tuple[int, str]:
    """Where a station stands in the process; those that nobody knows come last, by name."""
    order = {one.station: one.order for one in reference.stations()}.get(station)
    return (999 if order is None else order), station
