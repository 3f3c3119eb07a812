"""Rates with their exact intervals, machines seen together, and kinds of defect in order."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from tracelog.buckets import periods
from tracelog.json_text import finite
from tracelog.language import _, figure
from tracelog.plant.queries import Directory, MachineView, PlantView, directory, the_plant
from tracelog.stats.intervals import binomial_interval, rate_interval
from tracelog.trends.answers import ParetoAnswer, RateRow, Rates
from tracelog.trends.queries import (
    Gathered,
    Part,
    RateEvidence,
    RateKey,
    gather,
    rate_evidence,
)
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rules import (
    PER,
    SEEN_TOGETHER,
    By,
    Evidence,
    Tally,
    join_counts,
    no_rate,
    pareto,
    silence,
)
from tracelog.trends.shares.comparing import cautions, seen_together
from tracelog.trends.shares.evidence import attributed_evidence, is_attributed
from tracelog.trends.shares.naming import part_name, part_order
from tracelog.trends.silent import Silent, silent_machines

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def rates(
    session: Session,
    question: RateQuestion,
    plant: PlantView | None = None,
    places: Directory | None = None,
    gathered: Gathered | None = None,
) -> Rates:
    """Rates of machines, lines, tools, coils, crews and whatever else they are told apart by.

    Production counts occurrences per million strokes, with Garwood's interval; samples count bad
    cans per million inspected, with Clopper and Pearson's. Rows of one kind over the whole period
    are also seen together: shrunk rates and the probability of being the worst, from a
    gamma-Poisson model (production only).

    Args:
        session: an open session.
        question: which rates.
        plant, places, gathered: if the caller has read them already.

    Returns:
        Rows in order of bucket, line and number; a fixed number of statements, whatever is asked.

    Raises:
        TracelogError: samples of several kinds of defect, shifts of a plant without any, or too
            many rows.
    """
    plant = plant or the_plant(session)
    places = places or directory(session)
    if not _is_gathered(question):
        gathered = None
    elif gathered is None:
        gathered = gather(session, question)
    if is_attributed(question):
        evidence = attributed_evidence(session, plant, places, question)
    else:
        evidence = rate_evidence(session, plant, places, question, gathered)
    answer = rates_from(evidence, question, plant, places)
    if question.told_apart == (By.MACHINE,) and gathered is not None:
        quiet = _quiet(evidence, gathered)
        return _with_silence(silent_machines(session, plant, question, quiet), answer, places)
    return answer


def rates_from(
    evidence: RateEvidence, question: RateQuestion, plant: PlantView, places: Directory
) -> Rates:
    """Rates of counts and exposures that were read already; see `rates`."""
    joined = join_counts(evidence.found, evidence.exposures)
    tallies = _in_order(joined, question, plant, places)
    rows = _rows(tallies, question, plant, places)
    alike = False
    if _is_compared(question):
        rows, alike = seen_together(rows, [tally.key.of[0] is not None for tally in tallies])
    together = _together(question, evidence)
    notes = _notes(rows, question, evidence)
    return Rates(question, tuple(rows), together, evidence.unsettled, alike, notes)


def _is_gathered(question: RateQuestion) -> bool:
    """Whether its rates are made of what `gather` reads."""
    return (
        question.evidence is Evidence.PRODUCTION
        and question.bucket is None
        and not is_attributed(question)
        and By.STATION not in question.told_apart
    )


def pareto_of(
    session: Session,
    question: RateQuestion,
    plant: PlantView | None = None,
    places: Directory | None = None,
    gathered: Gathered | None = None,
) -> ParetoAnswer:
    """Kinds of defect reported from production in the scope and period of a question, in order.

    Args and Raises: as `rates`; what the question tells apart by, its buckets and its kinds of
        defect do not matter.
    """
    plant = plant or the_plant(session)
    places = places or directory(session)
    asked = replace(
        question,
        by=By.DEFECT,
        across=None,
        bucket=None,
        defects=(),
        evidence=Evidence.PRODUCTION,
    )
    evidence = rate_evidence(session, plant, places, asked, gathered)
    found = {str(key.of[0]): one for key, one in evidence.found.items()}
    return ParetoAnswer(asked, tuple(pareto(found)), max(evidence.exposures.values(), default=0))


def _in_order(
    tallies: Sequence[Tally[RateKey]],
    question: RateQuestion,
    plant: PlantView,
    places: Directory,
) -> list[Tally[RateKey]]:
    """By bucket, then as the parts stand."""
    standing = {
        of: tuple(
            part_order(by, part, plant, places)
            for by, part in zip(question.told_apart, of, strict=True)
        )
        for of in {tally.key.of for tally in tallies}
    }
    return sorted(tallies, key=lambda one: (one.key.bucket_start or _EPOCH, standing[one.key.of]))


def _rows(
    tallies: Sequence[Tally[RateKey]], question: RateQuestion, plant: PlantView, places: Directory
) -> list[RateRow]:
    buckets: dict[datetime | None, tuple[datetime, datetime]] = {
        None: (question.start, question.end)
    }
    if question.bucket is not None:
        found = periods(question.bucket, question.start, question.end, plant.zone, plant.rota)
        for one in found:
            within = max(one.start, question.start), min(one.end, question.end)
            buckets[one.start] = within
    counted = [tally.counted for tally in tallies]
    exposures = [tally.exposure for tally in tallies]
    if question.evidence is Evidence.PRODUCTION:
        interval = rate_interval(counted, exposures, per=PER)
        scale = 1
    else:
        interval = binomial_interval(counted, exposures)
        scale = PER
    estimates, lows, highs = (
        [finite(value) for value in (side * scale).tolist()]
        for side in map(np.asarray, (interval.estimate, interval.low, interval.high))
    )
    whats = {of: _what(of, question, plant, places) for of in {tally.key.of for tally in tallies}}
    rows = []
    for place, tally in enumerate(tallies):
        start, end = buckets[tally.key.bucket_start]
        has_rate = tally.has_rate
        rows.append(
            RateRow(
                start=start,
                end=end,
                cans=tally.cans,
                occurrences=tally.counted,
                entries=tally.entries,
                exposure=tally.exposure,
                counted=tally.counted,
                per_million=estimates[place] if has_rate else None,
                low=lows[place] if has_rate else None,
                high=highs[place] if has_rate else None,
                note=None if has_rate else no_rate(question.evidence),
                **whats[tally.key.of],
            )
        )
    return rows


def _what(
    of: tuple[Part, ...], question: RateQuestion, plant: PlantView, places: Directory
) -> dict[str, Any]:
    """What rows of these parts are of: the same in every bucket."""
    parts = dict(zip(question.told_apart, of, strict=True))
    machine, line = _whereabouts(parts, question, places)
    names = tuple(part_name(by, part, plant, places) for by, part in parts.items())
    only = question.defects[0] if len(question.defects) == 1 else None
    hour = parts.get(By.HOUR)
    return {
        "name": ", ".join(names),
        "machine": machine.text if machine else None,
        "line": line,
        "defect": _text(parts.get(By.DEFECT)) or only,
        "tool": _text(parts.get(By.TOOL)),
        "tool_type": _text(parts.get(By.TOOL_TYPE)),
        "coil": _text(parts.get(By.COIL)),
        "crew": _text(parts.get(By.CREW)),
        "shift": _text(parts.get(By.SHIFT)),
        "hour": hour if isinstance(hour, int) else None,
        "station": _text(parts.get(By.STATION)),
        "names": names,
    }


def _whereabouts(
    parts: Mapping[By, Part], question: RateQuestion, places: Directory
) -> tuple[MachineView | None, int | None]:
    """The machine and the line that a row is of, as far as it is of one."""
    machine, line = question.machine, question.line
    told = parts.get(By.MACHINE)
    if isinstance(told, uuid.UUID):
        machine = places.by_id[told]
    if machine is not None:
        return machine, machine.line
    on = parts.get(By.LINE)
    return None, on if isinstance(on, int) else line


def _text(part: Part) -> str | None:
    return part if isinstance(part, str) else None


def _is_compared(question: RateQuestion) -> bool:
    """Whether rows are of one kind that can be seen together."""
    return (
        question.shrink
        and question.by in SEEN_TOGETHER
        and question.across is None
        and question.bucket is None
        and (question.by is not By.MACHINE or question.machine is None)
        and question.evidence is Evidence.PRODUCTION
    )


def _quiet(evidence: RateEvidence, gathered: Gathered) -> list[uuid.UUID]:
    """Machines that ran and of which nothing of any kind was reported."""
    machines = [key.of[0] for key, strokes in evidence.exposures.items() if strokes > 0]
    return [
        machine
        for machine in machines
        if isinstance(machine, uuid.UUID) and machine not in gathered.heard_of
    ]


def _with_silence(silent: Sequence[Silent], answer: Rates, places: Directory) -> Rates:
    days = {places.by_id[one.machine_id].text: one.days_of_running for one in silent}
    rows = [
        replace(row, note=silence(days[row.name])) if row.name in days else row
        for row in answer.rows
    ]
    return replace(answer, rows=tuple(rows))


def _together(question: RateQuestion, evidence: RateEvidence) -> RateRow:
    """All rows as one: what rows share counts once."""
    found, exposure = evidence.counted, evidence.exposure
    row = RateRow(
        name=_("together"),
        machine=None if question.machine is None else question.machine.text,
        line=question.line,
        defect=question.defects[0] if len(question.defects) == 1 else None,
        start=question.start,
        end=question.end,
        cans=found.cans,
        occurrences=found.occurrences,
        entries=found.entries,
        exposure=exposure,
        counted=found.occurrences,
    )
    is_of_samples = question.evidence is Evidence.SAMPLES
    # A sample that was looked at for two kinds of defect is there twice.
    if exposure == 0 or (By.DEFECT in question.told_apart and is_of_samples):
        return row
    if question.evidence is Evidence.PRODUCTION:
        known = rate_interval(float(found.occurrences), float(exposure), per=PER)
        return replace(row, per_million=known.estimate, low=known.low, high=known.high)
    share = binomial_interval(float(found.occurrences), float(exposure))
    scaled = [PER * value for value in (share.estimate, share.low, share.high)]
    return replace(row, per_million=scaled[0], low=scaled[1], high=scaled[2])


def _notes(
    rows: Sequence[RateRow], question: RateQuestion, evidence: RateEvidence
) -> tuple[str, ...]:
    notes = []
    if not rows:
        notes.append(
            _("nothing was made or reported in this period")
            if question.evidence is Evidence.PRODUCTION
            else _("no sample is on record in this period")
        )
    if evidence.unsettled.entries:
        notes.append(
            _(
                "%(entries)s entries with %(cans)s cans count for nobody yet: their code was not"
                " read in full",
                entries=figure(evidence.unsettled.entries, ","),
                cans=figure(evidence.unsettled.cans, ","),
            )
        )
    if rows:
        notes += cautions(question, rows)
    return tuple(notes)
