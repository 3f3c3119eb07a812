"""How large the simulated plant is and which days its history covers."""

from dataclasses import dataclass, replace
from datetime import date, datetime, time
from zoneinfo import ZoneInfo

TIME_ZONE = "America/Chicago"


@dataclass(frozen=True)
class PlantSize:
    """Size and period of a simulated plant.

    `days` counts plant days, the last one being `ends_on`; the history stops at `ends_at`
    (plant time) of that day. Pallets are written for the last `pallet_days` only.
    """

    lines: int
    bodymakers: int
    days: int
    pallet_days: int = 30
    ends_on: date = date(2026, 6, 30)
    ends_at: time = time(22, 0)

    def __post_init__(self) -> None:
        """Raise ValueError with one sentence when a figure is out of range."""
        limits = {
            "lines": (self.lines, 1, 40),
            "bodymakers": (self.bodymakers, 1, 24),
            "days": (self.days, 10, 3660),
            "pallet_days": (self.pallet_days, 0, 3660),
        }
        for name, (figure, low, high) in limits.items():
            if not low <= figure <= high:
                raise ValueError(f"{name} is {figure}; it must be from {low} to {high}")

    def ending_at(self, now: datetime) -> "PlantSize":
        """Return the same size with its history ending at the last full hour before `now`.

        `now` must carry an offset. Use this for a demonstration that looks alive and has
        nothing in its future.
        """
        if now.tzinfo is None:
            raise ValueError("now has no offset; give an instant with one")
        local = now.astimezone(ZoneInfo(TIME_ZONE))
        return replace(self, ends_on=local.date(), ends_at=time(local.hour, 0))


SIZES: dict[str, PlantSize] = {
    "small": PlantSize(lines=2, bodymakers=4, days=30, pallet_days=7),
    "demo": PlantSize(lines=4, bodymakers=8, days=365, pallet_days=30),
}
