"""How the strokes of a tool are counted: through its stays, its works and its card's word.

A tool's count of strokes since its last work begins at 0 when it is new on record, and again with
every work that restores it. It goes on through removals, moves and refits. What a tool's card
says at an instant takes the place of what was counted up to then, in all or since work. So the
count at any time rests on facts alone and not on the order in which they arrived.
"""

import uuid
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from tracelog.plant.tool_facts import IN_PLACE, RENEWING, ToolWorkKind

UNKNOWN = "unknown"
MOVED = "moved"


@dataclass(frozen=True)
class Work:
    """Something done to a tool, or said of it, at an instant."""

    done_at: datetime
    work: str
    strokes_before: int | None = None
    strokes_before_since_work: int | None = None

    @property
    def renews(self) -> bool:
        """Whether strokes since work begin again with it."""
        return self.work in RENEWING

    @property
    def is_card(self) -> bool:
        """Whether it only tells what the tool's card says."""
        return self.work == ToolWorkKind.ON_RECORD


@dataclass(frozen=True)
class Stretch:
    """A stay of a tool in a machine, or the part of one between two works.

    Attributes:
        machine_id: where.
        position: where in it.
        started_at: UTC.
        ended_at: UTC; None: still in.
        strokes: counted in it.
        counted_from: the machine's first reading; None: it was never read.
        complete: False where strokes after `counted_from` may be missing from the count.
        removed_for: why it was taken out at the end; None: still in, or the end is a work.
    """

    machine_id: uuid.UUID
    position: str
    started_at: datetime
    ended_at: datetime | None
    strokes: int
    counted_from: datetime | None
    complete: bool = True
    removed_for: str | None = None

    @property
    def is_counted_from_start(self) -> bool:
        """Whether no stroke was made before the machine's first reading."""
        return self.counted_from is not None and self.counted_from <= self.started_at

    @property
    def began_on_record(self) -> bool:
        """Whether the machine was read before: what was fitted then was fitted on record."""
        return self.counted_from is not None and self.counted_from < self.started_at

    @property
    def exact(self) -> bool:
        """Whether every stroke of it is counted."""
        return self.complete and self.is_counted_from_start


@dataclass(frozen=True)
class Cycle:
    """A tool's strokes from new, or from one work to the next, through all its moves.

    Attributes:
        number: which cycle of the tool, as far as is on record.
        machine_id: where it was last in this cycle.
        position: likewise.
        started_at: UTC; the work that began it, else the first fit or the card's word.
        ended_at: UTC; when it was taken out for the last time, or worked on where it was; None:
            it goes on.
        entry_strokes: age in strokes at which the records begin: 0 where it begins on record,
            what the tool's card says, or None where nobody knows (it was in before the
            machine's first reading, and has no card).
        own_strokes: counted in this cycle from there on.
        strokes: age at the end, or now; without a known entry, at least.
        end_reason: why it was taken out; None: it goes on, or was worked on in the machine.
        exact: False where `strokes` is only a lower bound.
    """

    number: int
    machine_id: uuid.UUID
    position: str
    started_at: datetime
    ended_at: datetime | None
    entry_strokes: int | None
    own_strokes: int
    strokes: int
    end_reason: str | None
    exact: bool

    @property
    def ended(self) -> bool:
        """Whether it is over, as far as is known."""
        return self.ended_at is not None


@dataclass(frozen=True)
class Count:
    """What a tool has made: `since_work` and `total`, each exact or a lower bound.

    `renewals`: how often its count began again; `scrapped_at`: when it was last said to be scrap.
    """

    cycles: tuple[Cycle, ...]
    since_work: int
    since_work_exact: bool
    total: int
    total_exact: bool
    renewals: int
    renewed_at: datetime | None
    scrapped_at: datetime | None


def in_order(works: Iterable[Work]) -> list[Work]:
    """Works by time; at one instant the card's word comes first, since work follows it."""
    return sorted(
        works, key=lambda one: (one.done_at, one.work != ToolWorkKind.ON_RECORD, one.work)
    )


def cuts(works: Iterable[Work], started_at: datetime, ended_at: datetime | None) -> list[datetime]:
    """Instants inside a stay at which a count begins anew, in order, each once."""
    return sorted(
        {
            one.done_at
            for one in works
            if (one.renews or one.is_card)
            and started_at < one.done_at
            and (ended_at is None or one.done_at < ended_at)
        }
    )


@dataclass
class _Open:
    """The cycle being counted: strokes at `base`, and those of its stretches since."""

    number: int
    begun_at: datetime | None
    base: int = 0
    base_known: bool = True
    own: int = 0
    exact: bool = True
    stretches: list[Stretch] = field(default_factory=list)
    # The very first cycle is of unknown age unless records or the card tell where it begins.
    is_first: bool = False

    def add(self, stretch: Stretch) -> None:
        if not self.stretches:
            # A tool whose first fit is on record is taken for new, unless its card says otherwise.
            untold = self.is_first and self.begun_at is None
            known = stretch.began_on_record if untold else stretch.is_counted_from_start
            self.base_known = self.base_known and known
        self.stretches.append(stretch)
        self.own += stretch.strokes
        self.exact = self.exact and stretch.exact

    def take_card(self, card: Work) -> None:
        if card.strokes_before_since_work is not None or card.strokes_before == 0:
            self.base = card.strokes_before_since_work or 0
            self.base_known, self.own, self.exact = True, 0, True
        elif self.is_first and not self.stretches:
            self.base_known = False
        else:
            return
        self.begun_at = self.begun_at or card.done_at

    @property
    def strokes(self) -> int:
        return self.base + self.own

    @property
    def is_exact(self) -> bool:
        return self.exact and self.base_known

    def close(self, ended_at: datetime | None, end_reason: str | None) -> Cycle:
        last = self.stretches[-1]
        first_at = self.stretches[0].started_at
        started_at = first_at if self.begun_at is None else self.begun_at
        return Cycle(
            number=self.number,
            machine_id=last.machine_id,
            position=last.position,
            started_at=min(started_at, first_at),
            ended_at=ended_at,
            entry_strokes=self.base if self.base_known else None,
            own_strokes=self.own,
            strokes=self.strokes,
            end_reason=end_reason,
            exact=self.is_exact,
        )


@dataclass
class _Total:
    """All strokes of a tool: what its card said last, and what was counted since."""

    strokes: int = 0
    exact: bool = True
    is_untold: bool = True

    def add(self, stretch: Stretch) -> None:
        if self.is_untold and not stretch.began_on_record:
            self.exact = False
        self.is_untold = False
        self.strokes += stretch.strokes
        self.exact = self.exact and stretch.exact

    def take(self, work: Work) -> None:
        if work.is_card and work.strokes_before is not None:
            self.strokes, self.exact = work.strokes_before, True
        elif not (work.renews or work.is_card):
            return
        elif self.is_untold:
            # Restored, or known to its card, before any of its fits: it was not new.
            self.exact = False
        self.is_untold = False


def count(stretches: Sequence[Stretch], works: Iterable[Work]) -> Count:
    """Count a tool's strokes, in all and since its last work, and tell its cycles apart.

    Args:
        stretches: by time; none reaches over a cut (see `cuts`).
        works: what was done to the tool up to the instant of the question, in any order.

    Returns:
        The counts. Two works without a stretch between them end one cycle, not two. The strokes
        of all cycles are those of all stretches, unless a card takes their place.
    """
    ordered = in_order(works)
    scrapped = [one.done_at for one in ordered if one.work == ToolWorkKind.SCRAP]
    now_open, total = _Open(1, None, is_first=True), _Total()
    closed: list[Cycle] = []
    renewals, renewed_at = 0, None
    for event in _events(stretches, ordered):
        if isinstance(event, Stretch):
            now_open.add(event)
            total.add(event)
            continue
        total.take(event)
        if event.is_card:
            now_open.take_card(event)
        if not event.renews:
            continue
        if now_open.stretches:
            last = now_open.stretches[-1]
            closed.append(now_open.close(last.ended_at, last.removed_for))
        if now_open.stretches or now_open.is_first:
            renewals += 1
        renewed_at = event.done_at
        now_open = _Open(renewals + 1, renewed_at)
    if now_open.stretches:
        closed.append(_last(now_open, scrapped))
    return Count(
        cycles=tuple(closed),
        since_work=now_open.strokes,
        since_work_exact=now_open.is_exact,
        total=total.strokes,
        total_exact=total.exact,
        renewals=renewals,
        renewed_at=renewed_at,
        scrapped_at=scrapped[-1] if scrapped else None,
    )


def _events(stretches: Sequence[Stretch], works: Sequence[Work]) -> Iterator[Stretch | Work]:
    """Stretches and works by time; a work at the instant of a fit comes before it."""
    left = list(works)
    for stretch in stretches:
        while left and left[0].done_at <= stretch.started_at:
            yield left.pop(0)
        yield stretch
    yield from left


def _last(now_open: _Open, scrapped: Sequence[datetime]) -> Cycle:
    last = now_open.stretches[-1]
    is_scrap = any(at >= last.started_at for at in scrapped)
    # Taken out to serve elsewhere: it waits for its next fit and has not come to an end.
    goes_on = last.ended_at is None or (last.removed_for == MOVED and not is_scrap)
    return now_open.close(None if goes_on else last.ended_at, None if goes_on else last.removed_for)


def contradicted(
    works: Iterable[Work], stays: Iterable[tuple[datetime, datetime | None]]
) -> list[tuple[Work, datetime]]:
    """Works that the records of fits speak against, each with the fit that does, by time.

    A tool is ground, coated or scrapped out of the machine; a scrapped one is not fitted again.

    Args:
        works: what was done to a tool.
        stays: when it was fitted and removed; None: still in.
    """
    known = list(stays)
    found = []
    for work in in_order(works):
        if work.work in IN_PLACE or work.work == ToolWorkKind.RE_DESIGNATE:
            continue
        is_scrap = work.work == ToolWorkKind.SCRAP
        for fitted_at, removed_at in known:
            inside = fitted_at < work.done_at and (removed_at is None or work.done_at < removed_at)
            if inside or (is_scrap and fitted_at >= work.done_at):
                found.append((work, fitted_at))
                break
    return found
