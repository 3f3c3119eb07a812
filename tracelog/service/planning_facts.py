"""How the plant plans its services: crews, days, and what is weighed against what."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Self

from pydantic import model_validator

from tracelog.facts import Fact, Name, WrongField, decimal_number, one_of, whole_number
from tracelog.language import _
from tracelog.service.plan_rules import Weights

WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
MOST_CREWS = 20
MOST_PEOPLE = 50
# Said of people in a crew: enough for any service.
ANY = "any"
LONGEST_HORIZON_DAYS = 365
HEAVIEST = 1000.0


class PlanningSettingName(StrEnum):
    """What can be set."""

    CREWS = "crews"
    CREW_PEOPLE = "crew_people"
    CREW_HOURS = "crew_hours"
    WORK_DAYS = "work_days"
    HORIZON_DAYS = "horizon_days"
    UNUSED_WEIGHT = "unused_weight"
    LATE_WEIGHT = "late_weight"
    LOST_WEIGHT = "lost_weight"


@dataclass(frozen=True)
class Planning:
    """How services are planned. The defaults are guesses, no source; a plant sets its own.

    Attributes:
        crews: how many crews there are; each does one service at a time.
        crew_people: people in a crew; None: enough for any service.
        crew_hours: hours that a crew works on a day.
        work_days: whether services are done on each day of the week, from Monday.
        horizon_days: how far ahead is planned, in days.
        unused_weight, late_weight, lost_weight: what one stroke costs that is left unused, made
            too late, not made for want of the machine. Only their ratios matter.
    """

    crews: int = 1
    crew_people: int | None = None
    crew_hours: float = 12.0
    work_days: tuple[bool, ...] = (True,) * 7
    horizon_days: int = 60
    unused_weight: float = Weights.unused
    late_weight: float = Weights.late
    lost_weight: float = Weights.lost


def _days(text: str) -> tuple[bool, ...]:
    words = text.replace(",", " ").lower().split()
    if not words or not set(words) <= set(WEEK):
        raise ValueError(
            _("is not a list of days; write those on which services are done: mon tue wed thu fri")
        )
    return tuple(day in words for day in WEEK)


def _weight(text: str) -> float:
    return decimal_number(text, 0.0, HEAVIEST)


def _people(text: str) -> int | None:
    if text.lower() == ANY:
        return None
    try:
        return whole_number(text, 1, MOST_PEOPLE)
    except ValueError as problem:
        raise ValueError(_("%(problem)s, or any", problem=problem)) from None


_READ: Mapping[PlanningSettingName, Callable[[str], Any]] = {
    PlanningSettingName.CREWS: lambda text: whole_number(text, 1, MOST_CREWS),
    PlanningSettingName.CREW_PEOPLE: _people,
    PlanningSettingName.CREW_HOURS: lambda text: decimal_number(text, 1.0, 24.0),
    PlanningSettingName.WORK_DAYS: _days,
    PlanningSettingName.HORIZON_DAYS: lambda text: whole_number(text, 1, LONGEST_HORIZON_DAYS),
    PlanningSettingName.UNUSED_WEIGHT: _weight,
    PlanningSettingName.LATE_WEIGHT: _weight,
    PlanningSettingName.LOST_WEIGHT: _weight,
}


def write_setting(value: Any) -> str:
    """The text of a setting in a file: what `read_planning` takes back."""
    if isinstance(value, tuple):
        return " ".join(day for day, works in zip(WEEK, value, strict=True) if works)
    if value is None:
        return ANY
    return f"{value:g}" if isinstance(value, float) else str(value)


class PlanningSettingFact(Fact):
    """One thing set about the planning of services (planning.csv)."""

    key_fields: ClassVar[tuple[str, ...]] = ("setting",)
    setting: Annotated[PlanningSettingName, one_of(PlanningSettingName)]
    value: Name

    @model_validator(mode="after")
    def _is_right(self) -> Self:
        try:
            said = _READ[self.setting](self.value)
        except ValueError as problem:
            raise WrongField("value", str(problem)) from None
        object.__setattr__(self, "value", write_setting(said))
        return self


def read_planning(said: Iterable[tuple[str, str]]) -> Planning:
    """The planning that settings make, the defaults where nothing was said.

    Args:
        said: names and values, as kept.
    """
    return Planning(**{name: _READ[PlanningSettingName(name)](value) for name, value in said})


def settings_of(planning: Planning) -> list[tuple[str, str]]:
    """Names and values of all settings that are known, in order."""
    values = [(one.name, getattr(planning, one.name)) for one in fields(planning)]
    return [(name, write_setting(value)) for name, value in values if value is not None]
