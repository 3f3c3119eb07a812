"""How far a plant is set up: what is there, what is missing, and what to do next."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.errors import NoPlant
from tracelog.intake.plant_file import PlantText
from tracelog.intake.queries import plant_text, rows_of
from tracelog.intake.setup.rules import counted
from tracelog.language import _, in_words
from tracelog.people.queries import AccountView, accounts
from tracelog.plant.queries import BODYMAKER, Directory, directory
from tracelog.service.facts import ServiceLevelFact
from tracelog.strokes.queries import last_reading


@dataclass(frozen=True)
class Step:
    """One page of the set-up.

    Attributes:
        path: its address.
        title: what it is about.
        done: whether nothing is missing.
        says: what is there, or what is missing.
        needed: whether entries can be logged without it.
    """

    path: str
    title: str
    done: bool
    says: str
    needed: bool = False


@dataclass(frozen=True)
class Standing:
    """What is set up so far."""

    plant: PlantText | None
    known: Directory
    levels: tuple[ServiceLevelFact, ...]
    people: tuple[AccountView, ...]
    unread: tuple[str, ...]

    @property
    def can_log(self) -> bool:
        """Whether entries can be logged."""
        return self.plant is not None and bool(self.known.bodymakers)

    @property
    def next_step(self) -> Step | None:
        """The first page on which something is missing, those that are needed first."""
        missing = [step for step in steps(self) if not step.done]
        return next((step for step in missing if step.needed), missing[0] if missing else None)


def standing(session: Session, now: datetime) -> Standing:
    """What is set up so far, at `now` (UTC). A fixed number of statements."""
    try:
        plant = plant_text(session)
    except NoPlant:
        plant = None
    known = directory(session)
    machines = known.bodymakers
    read = last_reading(session, [one.id for one in machines], as_of=now) if machines else {}
    return Standing(
        plant,
        known,
        tuple(levels_on_record(session)),
        tuple(accounts(session)),
        tuple(one.text for one in machines if one.id not in read),
    )


def levels_on_record(session: Session) -> Sequence[ServiceLevelFact]:
    """The plant's levels of service. One statement."""
    columns = ServiceLevelFact.columns()
    return [
        ServiceLevelFact.model_construct(**dict(zip(columns, row, strict=True)))
        for row in rows_of(session, "service_levels.csv")
    ]


def steps(found: Standing) -> list[Step]:
    """All pages of the set-up in the order in which most people go through them."""
    plant, known = found.plant, found.known
    bare = [line for line in sorted(known.lines) if not _numbers(known, line)]
    return [
        Step("/setup/plant", _("Plant"), plant is not None, _plant_says(plant), needed=True),
        Step("/setup/lines", _("Lines"), bool(known.lines), _lines_say(known), needed=True),
        Step(
            "/setup/machines",
            _("Machines"),
            bool(known.bodymakers) and not bare,
            _machines_say(known, bare),
            needed=True,
        ),
        Step(
            "/setup/shifts",
            _("Shifts and crews"),
            plant is not None and bool(plant.shifts) and bool(plant.cycle),
            _shifts_say(plant),
        ),
        Step(
            "/setup/service-levels",
            _("Levels of service"),
            bool(found.levels),
            _("%(count)d levels", count=len(found.levels))
            if found.levels
            else _("none yet: nothing falls due"),
        ),
        Step(
            "/setup/people",
            _("People"),
            len(found.people) > 1,
            _("%(count)d accounts", count=len(found.people))
            if len(found.people) > 1
            else _("only you can sign in"),
        ),
    ]


def _numbers(known: Directory, line: int) -> list[int]:
    return [one.number for one in known.bodymakers if one.line == line]


def _plant_says(plant: PlantText | None) -> str:
    if plant is None:
        return _("its name and its time zone are missing")
    return f"{plant.name}, {plant.time_zone}"


def _lines_say(known: Directory) -> str:
    return counted(known.lines) if known.lines else _("none yet")


def _machines_say(known: Directory, bare: Sequence[int]) -> str:
    if not known.lines:
        return _("lines come first")
    if bare:
        return _("no bodymakers yet on line %(lines)s", lines=counted(bare))
    return "; ".join(
        _(
            "line %(line)d: %(station)s %(numbers)s",
            line=line,
            station=in_words(BODYMAKER),
            numbers=numbers,
        )
        for line in sorted(known.lines)
        if (numbers := counted(_numbers(known, line)))
    )


def _shifts_say(plant: PlantText | None) -> str:
    if plant is None or not plant.shifts:
        return _("none yet: pages know no shift and no crew")
    if not plant.cycle:
        return _("%(count)d shifts, no crews", count=len(plant.shifts))
    return _(
        "%(count)d shifts, crews repeat every %(days)d days",
        count=len(plant.shifts),
        days=len(plant.cycle),
    )
