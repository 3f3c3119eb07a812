"""Plant time: seconds since the history began, shifts, crews, planned line stops.

Inside the simulator every instant is a number of seconds since the start; only here do they
become UTC or plant time.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from seed_demo.sizes import TIME_ZONE, PlantSize

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

DAY_SECONDS = 86_400
SHIFTS = (("day", time(6, 0)), ("night", time(18, 0)))
CLEANING_STARTS = time(6, 0)
CLEANING_HOURS = 8
HOLIDAY_DAYS = 14
HOLIDAY_FROM_DAYS = 120  # shorter histories have no holiday

# 2 on, 2 off, 3 on: A and B share one half, C and D the other; the halves swap days and
# nights every week, so that crew and shift are not the same thing.
ROTA: tuple[dict[str, str], ...] = (
    *({"day": "A", "night": "C"},) * 2,
    *({"day": "B", "night": "D"},) * 2,
    *({"day": "A", "night": "C"},) * 3,
    *({"day": "D", "night": "B"},) * 2,
    *({"day": "C", "night": "A"},) * 2,
    *({"day": "D", "night": "B"},) * 3,
)


@dataclass(frozen=True)
class PlantClock:
    """The period of a history and everything that follows from its dates."""

    zone: ZoneInfo
    start_at: datetime  # UTC
    seconds: int  # length of the history
    starts_on: date
    ends_on: date
    rota_starts_on: date
    shift_starts: IntArray  # seconds, ascending
    shift_names: tuple[str, ...]
    shift_crews: tuple[str, ...]
    offsets: IntArray  # plant time minus UTC in seconds, per hour since the start

    @classmethod
    def of(cls, size: PlantSize) -> "PlantClock":
        """Return the clock of a plant of this size."""
        zone = ZoneInfo(TIME_ZONE)
        starts_on = size.ends_on - timedelta(days=size.days - 1)
        start_at = datetime.combine(starts_on, SHIFTS[0][1], zone).astimezone(UTC)
        end_at = datetime.combine(size.ends_on, size.ends_at, zone).astimezone(UTC)
        rota_starts_on = starts_on - timedelta(days=starts_on.weekday() + 14)
        shifts = [
            (datetime.combine(day, begins, zone).astimezone(UTC), name, _crew(day, name, starts_on))
            for day in (starts_on + timedelta(days=n) for n in range(size.days))
            for name, begins in SHIFTS
        ]
        seconds = int((end_at - start_at).total_seconds())
        hours = range(seconds // 3600 + 49)
        offsets = [_offset_seconds(start_at + timedelta(hours=h), zone) for h in hours]
        return cls(
            zone=zone,
            start_at=start_at,
            seconds=seconds,
            starts_on=starts_on,
            ends_on=size.ends_on,
            rota_starts_on=rota_starts_on,
            shift_starts=np.array([int((at - start_at).total_seconds()) for at, _, _ in shifts]),
            shift_names=tuple(name for _, name, _ in shifts),
            shift_crews=tuple(crew for _, _, crew in shifts),
            offsets=np.array(offsets),
        )

    def second_of(self, day: date, at: time) -> int:
        """Return the second of a plant-time instant (before the start it is negative)."""
        instant = datetime.combine(day, at, self.zone).astimezone(UTC)
        return int((instant - self.start_at).total_seconds())

    def days_before_end(self, days: float, at: time) -> int:
        """Return the second of time of day `at` on the date `days` before the last one."""
        return self.second_of(self.ends_on - timedelta(days=round(days)), at)

    def dates(self) -> list[date]:
        """Return every plant day of the history."""
        count = (self.ends_on - self.starts_on).days + 1
        return [self.starts_on + timedelta(days=n) for n in range(count)]

    def holiday(self) -> tuple[date, date] | None:
        """Return first and last day of the holiday fortnight, or None in a short history."""
        count = (self.ends_on - self.starts_on).days + 1
        if count < HOLIDAY_FROM_DAYS:
            return None
        near = self.starts_on + timedelta(days=int(count * 0.45))
        monday = near + timedelta(days=-near.weekday() % 7)
        return monday, monday + timedelta(days=HOLIDAY_DAYS - 1)

    def planned_stops(self, line: int) -> list[tuple[int, int]]:
        """Return (start, end) seconds of the cleanings and the holiday of one line."""
        weekday = line % 7
        stops = [
            (self.second_of(day, CLEANING_STARTS), CLEANING_HOURS * 3600)
            for day in self.dates()
            if day.weekday() == weekday
        ]
        holiday = self.holiday()
        if holiday:
            stops.append((self.second_of(holiday[0], CLEANING_STARTS), HOLIDAY_DAYS * DAY_SECONDS))
        return [(start, start + length) for start, length in stops]

    def shift_index(self, seconds: FloatArray | IntArray) -> IntArray:
        """Return, for each second, the index into shift_names and shift_crews."""
        found = np.searchsorted(self.shift_starts, seconds, side="right") - 1
        return np.clip(found, 0, len(self.shift_names) - 1)

    def utc(self, second: float) -> datetime:
        """Return one second of the history as an instant in UTC."""
        return self.start_at + timedelta(seconds=int(second))

    def utc_text(self, seconds: FloatArray | IntArray) -> list[str]:
        """Return instants as text in UTC, like 2026-06-30T21:05:00Z."""
        return [text + "Z" for text in self._text(seconds, None)]

    def local_text(self, seconds: FloatArray | IntArray, with_offset: bool = True) -> list[str]:
        """Return instants as text in plant time, with the offset unless told otherwise."""
        whole = np.asarray(seconds, dtype=np.int64)
        offsets = self.offsets[np.clip(whole // 3600, 0, len(self.offsets) - 1)]
        texts = self._text(whole, offsets)
        if not with_offset:
            return texts
        suffixes = {int(o): _offset_text(int(o)) for o in np.unique(offsets)}
        return [t + suffixes[int(o)] for t, o in zip(texts, offsets, strict=True)]

    def _text(self, seconds: FloatArray | IntArray, offsets: IntArray | None) -> list[str]:
        whole = np.asarray(seconds, dtype=np.int64) + int(self.start_at.timestamp())
        if offsets is not None:
            whole = whole + offsets
        texts: list[str] = np.datetime_as_string(whole.astype("datetime64[s]")).tolist()
        return texts


def _crew(day: date, shift: str, starts_on: date) -> str:
    monday = starts_on - timedelta(days=starts_on.weekday())
    return ROTA[(day - monday).days % len(ROTA)][shift]


def _offset_seconds(instant: datetime, zone: ZoneInfo) -> int:
    offset = instant.astimezone(zone).utcoffset()
    return int(offset.total_seconds()) if offset else 0


def _offset_text(offset_seconds: int) -> str:
    sign = "-" if offset_seconds < 0 else "+"
    hours, minutes = divmod(abs(offset_seconds) // 60, 60)
    return f"{sign}{hours:02d}:{minutes:02d}"
