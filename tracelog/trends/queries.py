"""Reads for rates and charts: what was reported, and the strokes or samples it came from.

All of it through the reads of the log and of the counters; the number of statements is fixed.
"""

import uuid
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter
from typing import NamedTuple, TypeAlias

from sqlalchemy.orm import Session

from tracelog.buckets import Bucket, periods
from tracelog.defects.queries import By as ToldApart
from tracelog.defects.queries import (
    DefectView,
    EntryFilter,
    Group,
    ProductionCount,
    first_and_last,
    production_counts,
    sample_counts,
    vocabulary,
)
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.plant.queries import Directory, PlantView
from tracelog.strokes.queries import last_reading, strokes_by_bucket, strokes_by_machine
from tracelog.trends.questions import MOST_POINTS, ChartQuestion, Known, RateQuestion
from tracelog.trends.rules import SHARING, By, Evidence, Found

MOST_ROWS = 20 * MOST_POINTS


# A machine's id, a line's number, an hour of the day, or a text; None: nothing is on record.
Part: TypeAlias = uuid.UUID | str | int | None


class RateKey(NamedTuple):
    """What one rate is of: one part for each thing that rates are told apart by."""

    bucket_start: datetime | None = None
    of: tuple[Part, ...] = ()


@dataclass(frozen=True)
class RateEvidence:
    """Counts and exposures by key, and what could not be given to any key.

    `counted` and `exposure` are of all keys together, each entry and each stroke once.
    """

    found: dict[RateKey, Found]
    exposures: dict[RateKey, int]
    unsettled: Found
    counted: Found
    exposure: int


def known_words(
    session: Session,
    plant: PlantView,
    places: Directory,
    now: datetime,
    kinds: Sequence[DefectView] | None = None,
) -> Known:
    """What choices are read against. Three statements beside those of plant and directory.

    Args:
        session: an open session.
        plant, places: as read.
        now: what counts as latest where there are no data.
        kinds: the kinds of defect, if the caller has read them already.
    """
    kinds = vocabulary(session) if kinds is None else kinds
    latest = [one.read_at for one in last_reading(session).values()]
    logged = first_and_last(session)
    if logged is not None:
        latest.append(logged[1])
    return Known(
        zone=plant.zone,
        places=places,
        defects=tuple(one.defect for one in kinds),
        latest_at=max(latest, default=None),
        now=now,
    )


@dataclass(frozen=True)
class Gathered:
    """All that was reported from production in a period, and all strokes, read once.

    What rates, Pareto and silent machines are made of: each takes from it what it asks for.
    """

    counts: tuple[ProductionCount, ...]
    strokes: dict[uuid.UUID, int]

    @property
    def heard_of(self) -> set[uuid.UUID | None]:
        """Machines of which anything was reported."""
        return {row.machine_id for row in self.counts}


def gather(session: Session, asked: RateQuestion) -> Gathered:
    """Everything from production in the period of a question, whatever else it asks for."""
    everything = EntryFilter(start=asked.start, end=asked.end, as_of=asked.as_of)
    counts = production_counts(session, everything, by=("line", "machine", "defect"))
    strokes = strokes_by_machine(session, asked.start, asked.end, as_of=asked.as_of)
    return Gathered(tuple(counts), strokes)


def rate_evidence(
    session: Session,
    plant: PlantView,
    places: Directory,
    asked: RateQuestion,
    gathered: Gathered | None = None,
) -> RateEvidence:
    """What the rates of a question are made of.

    Args:
        session: an open session.
        plant, places: as read.
        asked: which rates.
        gathered: what `gather` gave for the same period, if the caller has it.

    Raises:
        TracelogError: samples of several kinds of defect at once, told at ``defect``; too many
            rows, or shifts of a plant without any, told at ``bucket``.
    """
    if asked.evidence is Evidence.SAMPLES:
        return _sample_evidence(session, asked)
    rows, strokes = _production(session, plant, places, asked, gathered)
    found, unsettled = _by_key(rows, asked)
    lines = {machine.id: machine.line for machine in places.bodymakers}
    exposures = shared_out(_exposures(strokes, asked, lines), found, asked)
    counted = added(found.values())
    return RateEvidence(found, exposures, unsettled, counted, sum(strokes.values()))


def _production(
    session: Session,
    plant: PlantView,
    places: Directory,
    asked: RateQuestion,
    gathered: Gathered | None,
) -> tuple[list[ProductionCount], "Strokes"]:
    """What was reported in the scope of a question, and the strokes of its machines."""
    scope = machines_in_scope(places, asked)
    if asked.bucket is not None:
        _check_number(plant, places, asked)
        counted = production_counts(
            session, entry_filter(asked), by=_columns(asked), bucket=asked.bucket
        )
        return counted, _bucket_strokes(session, plant, places, asked, asked.bucket)
    if By.STATION in asked.told_apart:
        counted = production_counts(session, entry_filter(asked), by=_columns(asked))
        made = strokes_by_machine(session, asked.start, asked.end, as_of=asked.as_of)
    else:
        gathered = gathered or gather(session, asked)
        counted = [row for row in gathered.counts if _is_asked_for(row, asked)]
        made = gathered.strokes
    return counted, {(None, m): n for m, n in made.items() if m in scope}


def _is_asked_for(row: ProductionCount, asked: RateQuestion) -> bool:
    return (
        (not asked.defects or row.defect in asked.defects)
        and (asked.line is None or row.line == asked.line)
        and (asked.machine is None or row.machine_id == asked.machine.id)
    )


def _check_number(plant: PlantView, places: Directory, asked: RateQuestion) -> None:
    if asked.bucket is None:
        return
    buckets = len(periods(asked.bucket, asked.start, asked.end, plant.zone, plant.rota))
    is_of_many = By.MACHINE in asked.told_apart and asked.machine is None
    refuse_too_many(buckets * (len(places.bodymakers) if is_of_many else 1), asked)


def refuse_too_many(rows: int, asked: RateQuestion) -> None:
    """Refuse what nobody could read.

    Raises:
        TracelogError: too many rows, told at ``bucket``, or at ``by`` where there is none.
    """
    if rows <= MOST_ROWS:
        return
    if asked.bucket is None:
        sentence = _("gives %(rows)d rows; cross less, or choose a shorter period", rows=rows)
        raise TracelogError(sentence, "by")
    raise TracelogError(
        _("gives %(rows)d rows; choose a longer bucket or a shorter period", rows=rows), "bucket"
    )


def entry_filter(asked: RateQuestion | ChartQuestion) -> EntryFilter:
    """The entries that a question counts."""
    return EntryFilter(
        start=asked.start,
        end=asked.end,
        line=asked.line,
        machine_ids=None if asked.machine is None else (asked.machine.id,),
        defects=asked.defects,
        as_of=asked.as_of,
    )


_COLUMNS: dict[By, tuple[ToldApart, ...]] = {
    By.MACHINE: ("machine",),
    By.LINE: ("line",),
    By.DEFECT: ("defect",),
    By.STATION: ("found_at",),
    By.PLANT: (),
}


def _columns(asked: RateQuestion) -> tuple[ToldApart, ...]:
    by = tuple(column for one in asked.told_apart for column in _COLUMNS[one])
    return by if asked.bucket is None else (*by, "bucket")


def _by_key(
    rows: Iterable[ProductionCount], asked: RateQuestion
) -> tuple[dict[RateKey, Found], Found]:
    """What was found by key, and what belongs to no key yet."""
    found: dict[RateKey, Found] = {}
    unsettled = Found()
    key_of = _keys(asked)
    for row in rows:
        one = Found(row.cans, row.counted_occurrences, row.entries)
        key = key_of(row)
        if key is None:
            unsettled = added((unsettled, one))
        else:
            before = found.get(key)
            found[key] = one if before is None else added((before, one))
    return found, unsettled


def added(every: Iterable[Found]) -> Found:
    """All that was found, added up."""
    cans = occurrences = entries = 0
    for one in every:
        cans += one.cans
        occurrences += one.occurrences
        entries += one.entries
    return Found(cans, occurrences, entries)


_PARTS: dict[By, Callable[[Group], Part]] = {
    By.MACHINE: attrgetter("machine_id"),
    By.LINE: attrgetter("line"),
    By.DEFECT: attrgetter("defect"),
    By.STATION: attrgetter("found_at"),
    By.PLANT: lambda _row: "",
}


def _keys(asked: RateQuestion) -> Callable[[Group], RateKey | None]:
    """How to tell the key of a row: None if nobody knows yet its machine or line."""
    parts = [(_PARTS[one], one in (By.MACHINE, By.LINE)) for one in asked.told_apart]
    in_buckets = asked.bucket is not None

    def key_of(row: Group) -> RateKey | None:
        of = []
        for part_of, is_needed in parts:
            part = part_of(row)
            if part is None and is_needed:
                return None
            of.append(part)
        return RateKey(row.bucket_start if in_buckets else None, tuple(of))

    return key_of


def machines_in_scope(places: Directory, asked: RateQuestion | ChartQuestion) -> set[uuid.UUID]:
    """The bodymakers whose strokes a question counts."""
    if asked.machine is not None:
        return {asked.machine.id}
    return {m.id for m in places.bodymakers if asked.line is None or m.line == asked.line}


# Strokes by bucket (None without buckets) and machine.
Strokes: TypeAlias = dict[tuple[datetime | None, uuid.UUID], int]


def _bucket_strokes(
    session: Session, plant: PlantView, places: Directory, asked: RateQuestion, bucket: Bucket
) -> Strokes:
    rows = strokes_by_bucket(
        session,
        machines_in_scope(places, asked),
        asked.start,
        asked.end,
        bucket,
        rota=plant.rota,
        as_of=asked.as_of,
    )
    return {(row.bucket_start, row.machine_id): row.strokes for row in rows}


def _exposures(
    strokes: Strokes, asked: RateQuestion, lines: dict[uuid.UUID, int]
) -> dict[RateKey, int]:
    """Strokes by key; what shares them is left blank, for `shared_out`."""
    of: dict[uuid.UUID, tuple[Part, ...]] = {}
    for machine, line in lines.items():
        parts: dict[By, Part] = {By.MACHINE: machine, By.LINE: line, By.PLANT: ""}
        of[machine] = tuple(parts.get(one) for one in asked.told_apart)
    exposures: dict[RateKey, int] = defaultdict(int)
    for (start, machine), counted in strokes.items():
        exposures[RateKey(start, of[machine])] += counted
    return dict(exposures)


def shared_out(
    exposures: dict[RateKey, int], found: Collection[RateKey], asked: RateQuestion
) -> dict[RateKey, int]:
    """Give every kind of defect and every station the strokes that it is judged by: all of them.

    Args:
        exposures: by key, with a blank in place of the kind of defect and the station.
        found: keys of what was reported; kinds and stations that get rows are those among them,
            and the kinds that were asked for.
        asked: the question.

    Raises:
        TracelogError: too many rows.
    """
    places = [place for place, one in enumerate(asked.told_apart) if one in SHARING]
    if not places:
        refuse_too_many(len(exposures), asked)
        return exposures
    named: list[tuple[Part, ...]] = []
    if [asked.told_apart[place] for place in places] == [By.DEFECT]:
        named = [(kind,) for kind in asked.defects]
    named += [tuple(key.of[place] for place in places) for key in found]
    sharing = list(dict.fromkeys(named))
    refuse_too_many(len(exposures) * len(sharing), asked)
    shared = {}
    for key, exposure in exposures.items():
        of = list(key.of)
        for parts in sharing:
            for place, part in zip(places, parts, strict=True):
                of[place] = part
            shared[RateKey(key.bucket_start, tuple(of))] = exposure
    return shared


def _sample_evidence(session: Session, asked: RateQuestion) -> RateEvidence:
    refuse_several_kinds(asked)
    found: dict[RateKey, Found] = {}
    exposures: dict[RateKey, int] = {}
    unsettled = Found()
    rows = sample_counts(
        session, entry_filter(asked), by=_columns(asked), bucket=asked.bucket or Bucket.DAY
    )
    key_of = _keys(asked)
    for row in rows:
        key = key_of(row)
        one = Found(row.cans, row.cans, row.samples)
        if key is None:
            unsettled = added((unsettled, one))
            continue
        found[key] = added((found.get(key, Found()), one))
        exposures[key] = exposures.get(key, 0) + row.inspected
    counted = added(found.values())
    return RateEvidence(found, exposures, unsettled, counted, sum(exposures.values()))


def refuse_several_kinds(asked: RateQuestion) -> None:
    """Refuse samples of several kinds of defect added up.

    Raises:
        TracelogError: told at ``defect``.
    """
    if len(asked.defects) != 1 and By.DEFECT not in asked.told_apart:
        raise TracelogError(one_kind_only(), "defect")


def one_kind_only() -> str:
    """Why samples need one kind of defect."""
    return _(
        "choose one kind of defect: a sample that was looked at for two kinds would count its cans"
        " twice"
    )
