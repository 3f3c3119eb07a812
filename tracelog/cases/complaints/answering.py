"""The answer to a complaint: whose can, made when, and where the others are.

Nothing is guessed: what the records do not say is told as not known.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket
from tracelog.cases.complaints.facts import Certainty
from tracelog.cases.complaints.queries import ComplaintView
from tracelog.cases.complaints.rules import asks_for_seam, needs_authority
from tracelog.cases.facts import StepKind
from tracelog.cases.queries import CaseView, cases
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.plant.queries import MachineView, directory, the_plant
from tracelog.plant.stays import PalletStay
from tracelog.strokes.queries import strokes_by_bucket
from tracelog.trace.candidates import Candidate
from tracelog.trace.dossier import Dossier, dossier
from tracelog.trace.holds.queries import HoldView, held_pallets, holds_with_ids
from tracelog.trace.making import Question, read_time_code
from tracelog.trace.suspects.queries import SuspectQuestion, suspect_pallets
from tracelog.trace.suspects.rules import LONGEST_WINDOW

# Cans are seldom filled later than this after they were made (common practice, no source).
LOOKED_BACK = timedelta(days=400)
# Of several readings one is taken for the can from this chance on; the others stay in sight.
BY_FAR = 0.9
MOST_RUNS, MOST_PALLETS, MOST_MACHINES = 60, 60, 8


@dataclass(frozen=True)
class Run:
    """Days of the plant's clock on which a bodymaker ran without a day's break; UTC."""

    machine: MachineView
    start: datetime
    end: datetime
    strokes: int


@dataclass(frozen=True)
class OtherPallet:
    """A pallet that may hold cans of the same bodymaker and time.

    `expected` such cans lie on it (None: not worked out); `holds` are the numbers of the holds
    that hold it now.
    """

    stay: PalletStay
    line: int
    expected: float | None
    chance_of_none: float | None
    holds: tuple[int, ...]


@dataclass(frozen=True)
class Answer:
    """What can be answered now.

    Attributes:
        complaint: as it stands.
        candidates: the bodymakers that may have made the can, the likeliest first.
        is_weighed: whether strokes tell them apart.
        found: the dossier; None where no time of making follows from what arrived.
        made_from, made_to, basis: when the can was made; None: not known.
        runs: where no time is known, when each candidate ran.
        runs_cut: how many earlier runs are left out.
        pallets: where other such cans lie.
        pallets_cut: how many more there are.
        holds: that were linked to the complaint.
        cases: that were linked to it.
        problems: what does not fit together, in sentences.
    """

    complaint: ComplaintView
    candidates: tuple[Candidate, ...]
    is_weighed: bool
    found: Dossier | None
    made_from: datetime | None
    made_to: datetime | None
    basis: str | None
    runs: tuple[Run, ...]
    runs_cut: int
    pallets: tuple[OtherPallet, ...]
    pallets_cut: int
    holds: tuple[HoldView, ...]
    cases: tuple[CaseView, ...]
    problems: tuple[str, ...]

    @property
    def machine(self) -> MachineView | None:
        """The bodymaker, where one is by far the likeliest."""
        chosen = _in_question(self.candidates)
        return chosen[0].machine if len(chosen) == 1 else None

    @property
    def needs_authority(self) -> bool:
        """Whether the quality authority must be told of a leak or contact risk."""
        return needs_authority(self.complaint.severity)

    @property
    def asks_for_seam(self) -> bool:
        """Whether the filler's seam data belong to the answer."""
        return asks_for_seam(self.complaint.severity)

    @property
    def held(self) -> list[OtherPallet]:
        """Those of the other pallets that are on hold."""
        return [one for one in self.pallets if one.holds]

    @property
    def causes(self) -> list[tuple[CaseView, str]]:
        """Cases that ended because the numbers say that the fix held, and what was done."""
        told = []
        for one in self.cases:
            done = [step.text for step in one.steps if step.kind == StepKind.ACTION.value]
            if one.ended_as == StepKind.HELD.value and done:
                told.append((one, done[-1]))
        return told


def answer_of(session: Session, complaint: ComplaintView, as_of: datetime) -> Answer:
    """Work the answer out. A fixed number of statements for what arrived.

    Args:
        session: an open session.
        complaint: as it stands.
        as_of: UTC; only what was known by then.
    """
    problems: list[str] = []
    asked, found = _found(session, complaint, as_of, problems)
    is_dated = _says_when(asked) or asked.at is not None
    made_from, made_to, basis = _made(complaint, found, asked)
    candidates = _candidates(found, is_dated)
    runs: list[Run] = []
    if complaint.now.code is not None and not _says_when(asked):
        plant = the_plant(session)
        span = (made_from or as_of - LOOKED_BACK, min(made_to or as_of, as_of))
        ran = [one.machine for one in candidates[:MOST_MACHINES]]
        runs = _runs(session, ran, span, plant.zone, as_of)
    chosen = _in_question(candidates)
    dated = found if is_dated else None
    if dated is not None and len(chosen) == 1 and len(candidates) > 1:
        # What happened around the likeliest one is what an answer needs.
        dated = dossier(session, replace(asked, code=chosen[0].code, is_doubted=False), as_of)
    pallets = _pallets(session, chosen, dated, (made_from, made_to), as_of)
    linked = {one.case_id for one in complaint.steps if one.case_id is not None}
    return Answer(
        complaint=complaint,
        candidates=candidates,
        is_weighed=bool(found and found.is_weighed and is_dated),
        found=dated,
        made_from=made_from,
        made_to=made_to,
        basis=basis,
        runs=tuple(runs[:MOST_RUNS]),
        runs_cut=max(0, len(runs) - MOST_RUNS),
        pallets=tuple(pallets[:MOST_PALLETS]),
        pallets_cut=max(0, len(pallets) - MOST_PALLETS),
        holds=tuple(holds_with_ids(session, complaint.hold_ids, as_of)),
        cases=tuple(one for one in cases(session) if one.id in linked) if linked else (),
        problems=tuple(problems),
    )


def _found(
    session: Session, complaint: ComplaintView, as_of: datetime, problems: list[str]
) -> tuple[Question, Dossier | None]:
    """What could be asked of the records, and the dossier; what does not fit is told.

    The pallet says more of the time than the coil; each may be misread, or not be on record.
    """
    now = complaint.now
    # Of a part that was read the digits count as read; ? stands for the others.
    doubted = now.certainty is Certainty.UNSURE
    bare = Question(code=now.code, is_doubted=doubted, defect=now.defect)
    coded = _time_code(now.time_code, the_plant(session).zone)
    whole = replace(bare, pallet=now.pallet, coil=now.coil, time_code=coded)
    at = None
    if now.made_from is not None and now.made_to is not None:
        at = min(now.made_from + (now.made_to - now.made_from) / 2, as_of)
    told = [
        *(whole, replace(whole, coil=None), replace(whole, time_code=None)),
        *(replace(bare, pallet=now.pallet), replace(bare, coil=now.coil)),
        replace(bare, time_code=coded),
    ]
    tries = [one for one in told if _says_when(one)]
    if now.code is not None:
        tries += [replace(bare, at=at), bare]
    for one in dict.fromkeys(tries):
        try:
            found = dossier(session, one, as_of)
            if found.contradiction is not None:
                raise TracelogError(found.contradiction.sentence, "code")
            return one, found
        except TracelogError as problem:
            if problem.sentence not in problems:
                problems.append(problem.sentence)
    return bare, None


def _time_code(text: str | None, zone: ZoneInfo) -> tuple[datetime, datetime] | None:
    """What a coder wrote, where that is a time; else it is only text."""
    try:
        return read_time_code(text, zone) if text else None
    except ValueError:
        return None


def _says_when(asked: Question) -> bool:
    """Whether the can itself, or where it lay, says when it was made."""
    return bool(asked.pallet or asked.coil or asked.time_code)


def _made(
    complaint: ComplaintView, found: Dossier | None, asked: Question
) -> tuple[datetime | None, datetime | None, str | None]:
    if found is not None and _says_when(asked):
        return found.made.start, found.made.end, found.made.basis
    now = complaint.now
    if now.made_from is not None and now.made_to is not None:
        return now.made_from, now.made_to, _("the window that was written down")
    return None, None, None


def _in_question(candidates: Sequence[Candidate]) -> Sequence[Candidate]:
    """The likeliest alone where it is by far the likeliest, else all."""
    settled = candidates[:1] and candidates[0].probability >= BY_FAR
    return candidates[:1] if settled else candidates


def _candidates(found: Dossier | None, is_dated: bool) -> tuple[Candidate, ...]:
    """The machines in question; strokes of another time than the can's weigh nothing."""
    if found is None:
        return ()
    if is_dated:
        return found.candidates
    share = 1 / max(len(found.candidates), 1)
    return tuple(replace(one, probability=share) for one in found.candidates)


def _runs(
    session: Session,
    machines: Sequence[MachineView],
    span: tuple[datetime, datetime],
    zone: ZoneInfo,
    as_of: datetime,
) -> list[Run]:
    """When each machine ran, the latest first; a day without a stroke ends a run."""
    if not machines or span[0] >= span[1]:
        return []
    by_id = {one.id: one for one in machines}
    found: list[Run] = []
    current: dict[uuid.UUID, Run | None] = {}
    days = strokes_by_bucket(session, list(by_id), *span, Bucket.DAY, as_of=as_of)
    for day in days:
        run = current.get(day.machine_id)
        end = min(_day_after(day.bucket_start, zone), span[1])
        if day.strokes <= 0:
            current[day.machine_id] = None
        elif run is None:
            run = Run(by_id[day.machine_id], max(day.bucket_start, span[0]), end, day.strokes)
            current[day.machine_id] = run
            found.append(run)
        else:
            longer = replace(run, end=end, strokes=run.strokes + day.strokes)
            found[found.index(run)] = current[day.machine_id] = longer
    return sorted(found, key=lambda one: one.end, reverse=True)


def _day_after(start: datetime, zone: ZoneInfo) -> datetime:
    """The next midnight of the plant's clock, however long the day is."""
    local = start.astimezone(zone)
    following = (local + timedelta(days=1)).replace(hour=0, minute=0, second=0, microsecond=0)
    return following.astimezone(start.tzinfo)


def _pallets(
    session: Session,
    candidates: Sequence[Candidate],
    found: Dossier | None,
    made: tuple[datetime | None, datetime | None],
    as_of: datetime,
) -> list[OtherPallet]:
    """Pallets that may hold cans of the same bodymakers and time, and who holds them."""
    held = held_pallets(session, as_of)
    numbers = directory(session).line_numbers
    start, end = made
    if start is None or end is None or end > as_of or end - start > LONGEST_WINDOW:
        return []
    if not candidates or len(candidates) > MOST_MACHINES or end == start:
        stays = found.pallets if found is not None else ()
        return [
            OtherPallet(one, numbers[one.line_id], None, None, held.get(one.pallet, ()))
            for one in stays
        ]
    first, *others = (one.machine.id for one in candidates)
    asked = SuspectQuestion(first, start, end, also=tuple(others))
    return [
        OtherPallet(
            one.pallet,
            numbers[one.pallet.line_id],
            one.expected,
            one.chance_of_none,
            held.get(one.pallet.pallet, ()),
        )
        for one in suspect_pallets(session, asked, as_of).held_at(0.01)
    ]
