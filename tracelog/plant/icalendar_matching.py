"""What a calendar file means for the periods on record: pure, no database.

An event is known again by its UID, a repetition by the UID and the instant at which it would be
had nobody moved it. The file is right about its own events: moved ones move, repetitions that it no
longer has go. What came from elsewhere, or was typed in here, stays.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING
from uuid import UUID

from tracelog.errors import UnknownReference
from tracelog.language import _
from tracelog.plant.calendar_rules import PeriodKind, PlannedPeriodView
from tracelog.plant.icalendar_events import CalendarContent, CalendarEvent

if TYPE_CHECKING:
    from tracelog.plant.queries import Directory

_MACHINE = re.compile(r"\bbodymaker (\d{1,3})-(\d{1,3})\b", re.IGNORECASE)
_LINE = re.compile(r"\bline (\d{1,3})\b", re.IGNORECASE)
_PLANT = re.compile(r"\bwhole plant\b", re.IGNORECASE)
# After the UID: which repetition.
_REPETITION = re.compile(r"(/\d{8}(T\d{6}Z)?)?")


@dataclass(frozen=True)
class CalendarPlace:
    """Where something is planned; both None: in the whole plant."""

    line: int | None = None
    bodymaker: int | None = None

    @property
    def mark(self) -> str:
        """What is put after the UID of an event whose place was chosen at the import."""
        if self.line is None:
            return "/plant"
        return f"/line {self.line}" if self.bodymaker is None else f"/{self.line}-{self.bodymaker}"


@dataclass(frozen=True)
class ImportChoice:
    """What was chosen for an import.

    Attributes:
        start, end: UTC; only events that share an instant with this time are taken.
        place: of all events; None: each event names its own.
        kind: of all events; None: each event's categories say.
        replaces: periods of the place and kind that came from a file, and whose event is not in
            this one, are withdrawn.
        brings_back: events that were withdrawn here are taken again.
    """

    start: datetime
    end: datetime
    place: CalendarPlace | None = None
    kind: PeriodKind | None = None
    replaces: bool = False
    brings_back: bool = False


@dataclass(frozen=True)
class WantedPeriod:
    """A period as the file has it; ids resolved, `key` as it is kept with the row."""

    key: str
    kind: PeriodKind
    line_id: UUID | None
    machine_id: UUID | None
    starts_at: datetime
    ends_at: datetime
    reason: str | None
    changed_at: datetime | None
    is_always_known: bool = False
    is_cancelled: bool = False

    def is_at(self, row: PlannedPeriodView) -> bool:
        """Whether a row says the same of what, where and when."""
        return (self.kind, self.line_id, self.machine_id, self.starts_at, self.ends_at) == (
            *(row.kind, row.line_id, row.machine_id, row.starts_at, row.ends_at),
        )


class StepKind(StrEnum):
    """What an import does with one event or one row."""

    ADDED = "added"
    UNCHANGED = "unchanged"
    REWORDED = "reworded"
    MOVED = "moved"
    WITHDRAWN = "withdrawn"
    # It was withdrawn here, and the file has not changed it since.
    LEFT_OUT = "left out"


@dataclass(frozen=True)
class ImportStep:
    """One step: what is done, the row as it was, the period as it is to be.

    `since` is when the old row ceases to stand and the new one becomes known; None: always known.
    """

    kind: StepKind
    old: PlannedPeriodView | None
    new: WantedPeriod | None
    since: datetime | None


def wanted_periods(
    content: CalendarContent, choice: ImportChoice, known: "Directory"
) -> tuple[list[WantedPeriod], list[str]]:
    """The periods that a file asks for, and one sentence for each event that cannot be taken."""
    wanted: list[WantedPeriod] = []
    faults: dict[tuple[str, str], None] = {}
    for event in content.events:
        try:
            wanted.append(_wanted(event, choice, known))
        except UnknownReference as problem:
            name = event.summary or event.uid
            faults[_("event '%(what)s'", what=name[:60]), problem.sentence] = None
    return wanted, [*content.faults, *(f"{name}: {sentence}" for name, sentence in faults)]


def _wanted(event: CalendarEvent, choice: ImportChoice, known: "Directory") -> WantedPeriod:
    place = choice.place or _place_of(event)
    line_id = machine_id = None
    if place.line is not None:
        line_id = known.line(place.line)
        if place.bodymaker is not None:
            machine_id = known.bodymaker(place.line, place.bodymaker).id
    return WantedPeriod(
        key=_key(event.key, choice),
        kind=choice.kind or _kind_of(event),
        line_id=line_id,
        machine_id=machine_id,
        starts_at=event.starts_at,
        ends_at=event.ends_at,
        reason=event.summary or None,
        changed_at=event.changed_at,
        is_always_known=event.is_always_known,
        is_cancelled=event.is_cancelled,
    )


def _key(key: str, choice: ImportChoice) -> str:
    mark = choice.place.mark if choice.place else ""
    # The same file may be imported for several lines.
    return key if key.endswith(mark) else key + mark


def _place_of(event: CalendarEvent) -> CalendarPlace:
    for text in (event.location, ", ".join(event.categories), event.summary):
        machines = {(int(line), int(number)) for line, number in _MACHINE.findall(text)}
        lines = {int(line) for line in _LINE.findall(text)}
        places = [CalendarPlace(*machine) for machine in sorted(machines)]
        # A bodymaker's own line beside it says nothing more.
        places += [CalendarPlace(n) for n in sorted(lines - {line for line, _number in machines})]
        if _PLANT.search(text):
            places.append(CalendarPlace())
        if len(places) > 1:
            raise UnknownReference(
                _("names more than one place; give each an event of its own, or choose the place")
            )
        if places:
            return places[0]
    raise UnknownReference(
        _(
            "does not say where; write 'line 3', 'bodymaker 3-7' or 'whole plant' as its location,"
            " or choose the place for the whole file"
        )
    )


def _kind_of(event: CalendarEvent) -> PeriodKind:
    for category in event.categories:
        for kind in PeriodKind:
            if category.casefold() == kind.value:
                return kind
    raise UnknownReference(
        _(
            "does not say what is planned; give it the category 'stop' or 'no service',"
            " or choose the kind for the whole file"
        )
    )


def key_of(row: PlannedPeriodView) -> str:
    """By what a row is known to a calendar file."""
    return row.uid or str(row.id)


def import_steps(
    wanted: Iterable[WantedPeriod],
    rows: Iterable[PlannedPeriodView],
    uids: Iterable[str],
    choice: ImportChoice,
    scope: tuple[UUID | None, UUID | None],
    now: datetime,
) -> list[ImportStep]:
    """What an import has to do.

    Args:
        wanted: the periods of the file.
        rows: rows on record with the keys of `wanted`, withdrawn ones too, and all that came
            from a file and stand in the time asked for.
        uids: of every event in the file.
        choice: what was chosen.
        scope: ids of line and machine of the chosen place.
        now: UTC.
    """
    standing: dict[str, list[PlannedPeriodView]] = {}
    withdrawn: dict[str, datetime] = {}
    for row in rows:
        if row.withdrawn_at is None:
            standing.setdefault(key_of(row), []).append(row)
        else:
            last = withdrawn.get(key_of(row), row.withdrawn_at)
            withdrawn[key_of(row)] = max(last, row.withdrawn_at)
    steps: list[ImportStep] = []
    for period in wanted:
        olds = standing.pop(period.key, [])
        if period.is_cancelled:
            steps += [_withdrawn(old, _since(period, old, now)) for old in olds]
        elif olds:
            steps.append(_kept_or_moved(period, olds, now))
        else:
            steps.append(_added(period, withdrawn.get(period.key), choice, now))
    left = [row for olds in standing.values() for row in olds]
    steps += [_withdrawn(row, now) for row in left if _is_gone(row, frozenset(uids), choice, scope)]
    return steps


def _withdrawn(old: PlannedPeriodView, since: datetime) -> ImportStep:
    return ImportStep(StepKind.WITHDRAWN, old, None, since)


def _kept_or_moved(
    period: WantedPeriod, olds: list[PlannedPeriodView], now: datetime
) -> ImportStep:
    same = next((old for old in olds if period.is_at(old)), None)
    if same is None:
        return ImportStep(StepKind.MOVED, olds[0], period, _since(period, olds[0], now))
    is_reworded = period.reason is not None and period.reason != same.reason
    kind = StepKind.REWORDED if is_reworded else StepKind.UNCHANGED
    return ImportStep(kind, same, period, same.announced_at)


def _since(period: WantedPeriod, old: PlannedPeriodView, now: datetime) -> datetime:
    """Since when it is no longer as it was: since the file says, if that can be."""
    told, announced = period.changed_at, old.announced_at
    if told is not None and told <= now and (announced is None or told > announced):
        return told
    return max(now, announced or now)


def _added(
    period: WantedPeriod, withdrawn_at: datetime | None, choice: ImportChoice, now: datetime
) -> ImportStep:
    told = None if period.changed_at is None else min(period.changed_at, now)
    if withdrawn_at is None:
        since = None if period.is_always_known else told or now
        return ImportStep(StepKind.ADDED, None, period, since)
    if told is not None and told > withdrawn_at:
        return ImportStep(StepKind.ADDED, None, period, told)
    kind = StepKind.ADDED if choice.brings_back else StepKind.LEFT_OUT
    return ImportStep(kind, None, period, max(now, withdrawn_at))


def _is_gone(
    row: PlannedPeriodView,
    uids: frozenset[str],
    choice: ImportChoice,
    scope: tuple[UUID | None, UUID | None],
) -> bool:
    """Whether a row that stands, and that no event of the file asks for, is to be withdrawn."""
    if row.uid is None or row.ends_at <= choice.start or row.starts_at >= choice.end:
        return False
    if _is_repetition_of_these(row.uid, uids, choice):
        return True
    if not choice.replaces:
        return False
    is_in_place = choice.place is None or (row.line_id, row.machine_id) == scope
    return is_in_place and choice.kind in (None, row.kind)


def _is_repetition_of_these(key: str, uids: frozenset[str], choice: ImportChoice) -> bool:
    mark = choice.place.mark if choice.place else ""
    if not key.endswith(mark):
        return False
    bare = key.removesuffix(mark)
    if key in uids or bare in uids:
        return True
    uid, slash, which = bare.rpartition("/")
    return uid in uids and _REPETITION.fullmatch(slash + which) is not None
