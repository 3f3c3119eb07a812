"""Rates with their exact intervals, machines seen together, and kinds of defect in order."""

import uuid
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from sqlalchemy.orm import Session

from tracelog.buckets import Period, periods
from tracelog.json_text import finite
from tracelog.language import _
from tracelog.plant.queries import Directory, PlantView, directory, the_plant
from tracelog.stats.intervals import binomial_interval, rate_interval
from tracelog.stats.shrinkage import gamma_poisson
from tracelog.trends.answers import ParetoAnswer, RateRow, Rates
from tracelog.trends.queries import (
    Gathered,
    RateEvidence,
    RateKey,
    Silent,
    gather,
    rate_evidence,
    silent_machines,
)
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rules import (
    PER,
    By,
    Evidence,
    Found,
    Tally,
    join_counts,
    no_rate,
    pareto,
    silence,
)


def rates(
    session: Session,
    question: RateQuestion,
    plant: PlantView | None = None,
    places: Directory | None = None,
    gathered: Gathered | None = None,
) -> Rates:
    """Rates of machines, lines, kinds of defect or the whole plant.

    Production counts occurrences per million strokes, with Garwood's interval; samples count bad
    cans per million inspected, with Clopper and Pearson's. Machines over the whole period are
    also seen together: shrunk rates and the probability of being the worst, from a gamma-Poisson
    model (production only).

    Args:
        session: an open session.
        question: which rates.
        plant, places, gathered: if the caller has read them already.

    Returns:
        Rows in order of bucket, line and number; a fixed number of statements, whatever is asked.

    Raises:
        TracelogError: samples of several kinds of defect, or too many rows.
    """
    plant = plant or the_plant(session)
    places = places or directory(session)
    if question.evidence is Evidence.SAMPLES or question.bucket is not None:
        gathered = None
    elif gathered is None:
        gathered = gather(session, question)
    evidence = rate_evidence(session, plant, places, question, gathered)
    tallies = sorted(
        join_counts(evidence.found, evidence.exposures), key=lambda tally: _order(tally, places)
    )
    rows = _rows(tallies, question, plant, places)
    alike = False
    if _is_compared(question):
        rows, alike = _seen_together(rows)
    if question.by is By.MACHINE and gathered is not None:
        quiet = _quiet(tallies, gathered)
        rows = _with_silence(silent_machines(session, plant, question, quiet), tallies, rows)
    together = _together(rows, question, evidence)
    notes = _notes(rows, question, evidence)
    return Rates(question, tuple(rows), together, evidence.unsettled, alike, notes)


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
    asked = replace(question, by=By.DEFECT, bucket=None, defects=(), evidence=Evidence.PRODUCTION)
    evidence = rate_evidence(session, plant, places, asked, gathered)
    found = {key.defect: one for key, one in evidence.found.items() if key.defect is not None}
    return ParetoAnswer(asked, tuple(pareto(found)), max(evidence.exposures.values(), default=0))


def _order(tally: Tally[RateKey], places: Directory) -> tuple[object, ...]:
    key = tally.key
    machine = places.by_id.get(key.machine_id) if key.machine_id else None
    place = (machine.line, machine.number) if machine else (key.line or 0, 0)
    start = key.bucket_start.timestamp() if key.bucket_start else 0.0
    return (start, place, key.defect or "")


def _rows(
    tallies: Sequence[Tally[RateKey]], question: RateQuestion, plant: PlantView, places: Directory
) -> list[RateRow]:
    buckets: dict[datetime | None, Period] = {}
    if question.bucket is not None:
        found = periods(question.bucket, question.start, question.end, plant.zone, plant.rota)
        buckets = {period.start: period for period in found}
    counted = [tally.counted for tally in tallies]
    exposures = [tally.exposure for tally in tallies]
    if question.evidence is Evidence.PRODUCTION:
        interval = rate_interval(counted, exposures, per=PER)
        scale = 1
    else:
        interval = binomial_interval(counted, exposures)
        scale = PER
    rows = []
    for place, tally in enumerate(tallies):
        row = _blank_row(tally, question, plant, places, buckets.get(tally.key.bucket_start))
        if not tally.has_rate:
            rows.append(replace(row, note=no_rate(question.evidence)))
            continue
        rows.append(
            replace(
                row,
                per_million=finite(interval.estimate[place] * scale),
                low=finite(interval.low[place] * scale),
                high=finite(interval.high[place] * scale),
            )
        )
    return rows


def _blank_row(
    tally: Tally[RateKey],
    question: RateQuestion,
    plant: PlantView,
    places: Directory,
    bucket: Period | None,
) -> RateRow:
    key = tally.key
    machine = places.by_id[key.machine_id] if key.machine_id else question.machine
    line = machine.line if machine else (key.line if key.line is not None else question.line)
    only = question.defects[0] if len(question.defects) == 1 else None
    names = {
        By.MACHINE: machine.text if machine else "",
        By.LINE: places.line_names.get(line, "") if line is not None else "",
        By.DEFECT: key.defect or "",
        By.PLANT: plant.name,
    }
    return RateRow(
        name=names[question.by],
        machine=machine.text if machine else None,
        line=line,
        defect=key.defect or only,
        start=question.start if bucket is None else max(bucket.start, question.start),
        end=question.end if bucket is None else min(bucket.end, question.end),
        cans=tally.cans,
        occurrences=tally.counted,
        entries=tally.entries,
        exposure=tally.exposure,
        counted=tally.counted,
    )


def _is_compared(question: RateQuestion) -> bool:
    """Whether rows are machines that can be seen together."""
    return (
        question.shrink
        and question.by is By.MACHINE
        and question.bucket is None
        and question.machine is None
        and question.evidence is Evidence.PRODUCTION
    )


def _seen_together(rows: list[RateRow]) -> tuple[list[RateRow], bool]:
    """Rows with shrunk rates and the probability of being the worst; and whether all are alike."""
    compared = [place for place, row in enumerate(rows) if row.exposure > 0]
    if not compared:
        return rows, False
    model = gamma_poisson(
        [rows[place].counted for place in compared], [rows[place].exposure for place in compared]
    )
    together = list(rows)
    for index, place in enumerate(compared):
        together[place] = replace(
            rows[place],
            shrunk=finite(model.rates[index] * PER),
            probability_worst=finite(model.probability_worst[index]),
        )
    return together, bool(model.pooled)


def _quiet(tallies: Sequence[Tally[RateKey]], gathered: Gathered) -> list[uuid.UUID]:
    """Machines of which nothing of any kind was reported."""
    machines = [tally.key.machine_id for tally in tallies if tally.key.machine_id is not None]
    return [machine for machine in machines if machine not in gathered.heard_of]


def _with_silence(
    silent: Sequence[Silent], tallies: Sequence[Tally[RateKey]], rows: list[RateRow]
) -> list[RateRow]:
    days = {one.machine_id: one.days_of_running for one in silent}
    return [
        replace(row, note=silence(days[tally.key.machine_id]))
        if tally.key.machine_id is not None and tally.key.machine_id in days
        else row
        for tally, row in zip(tallies, rows, strict=True)
    ]


def _together(rows: Sequence[RateRow], question: RateQuestion, evidence: RateEvidence) -> RateRow:
    """All rows as one; by kind of defect they share their strokes, which count once."""
    found = Found(
        sum(row.cans for row in rows),
        sum(row.occurrences for row in rows),
        sum(row.entries for row in rows),
    )
    shared = question.by is By.DEFECT and question.evidence is Evidence.PRODUCTION
    exposure = _shared_exposure(evidence) if shared else sum(row.exposure for row in rows)
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
    if exposure == 0 or (question.by is By.DEFECT and question.evidence is Evidence.SAMPLES):
        return row
    if question.evidence is Evidence.PRODUCTION:
        known = rate_interval(float(found.occurrences), float(exposure), per=PER)
        return replace(row, per_million=known.estimate, low=known.low, high=known.high)
    share = binomial_interval(float(found.occurrences), float(exposure))
    scaled = [PER * value for value in (share.estimate, share.low, share.high)]
    return replace(row, per_million=scaled[0], low=scaled[1], high=scaled[2])


def _shared_exposure(evidence: RateEvidence) -> int:
    """Strokes of one kind of defect are those of every other."""
    by_bucket: dict[datetime | None, int] = {}
    for key, exposure in evidence.exposures.items():
        by_bucket[key.bucket_start] = max(by_bucket.get(key.bucket_start, 0), exposure)
    return sum(by_bucket.values())


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
                entries=f"{evidence.unsettled.entries:,}",
                cans=f"{evidence.unsettled.cans:,}",
            )
        )
    return tuple(notes)
