"""Reads that weigh candidates: strokes meanwhile, and the recent rate of a very defect."""

import uuid
from collections.abc import Collection, Sequence
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from tracelog.defects.queries import EntryFilter, production_counts
from tracelog.plant.queries import the_plant
from tracelog.stats.shrinkage import gamma_poisson
from tracelog.strokes.queries import Span, strokes_between, strokes_by_machine
from tracelog.strokes.reaches import reaches

# How long before a can was made its defect's entries tell which machine makes such cans.
LATELY = timedelta(days=14)


def strokes_and_reach(
    session: Session, spans: Sequence[Span], as_of: datetime
) -> list[tuple[int, bool]]:
    """Strokes in each span, and whether the machine's counter was read over the whole of it."""
    if not spans:
        return []
    strokes = strokes_between(session, spans, as_of)
    ids = dict.fromkeys(span.machine_id for span in spans)
    reached = reaches(session, the_plant(session).zone, list(ids), as_of)
    found = []
    for span, counted in zip(spans, strokes, strict=True):
        reach = reached.get(span.machine_id)
        is_known = (
            reach is not None
            and span.end is not None
            and reach.first_at <= span.start
            and span.end <= reach.last_at
        )
        found.append((counted, is_known))
    return found


def rates_of_defect(
    session: Session,
    defect: str,
    machine_ids: Collection[uuid.UUID],
    until: datetime,
    as_of: datetime,
) -> dict[uuid.UUID, float]:
    """Occurrences of a defect per stroke of each machine in the days before an instant.

    Shrunk towards the mean of all of them (gamma-Poisson, Efron and Hastie (2016), Computer Age
    Statistical Inference, sec. 6.1), so that one entry does not decide. Without strokes or without
    entries all are alike.
    """
    ids = list(machine_ids)
    start, end = until - LATELY, min(until, as_of)
    asked = EntryFilter(start, end, machine_ids=tuple(ids), defects=(defect,), as_of=as_of)
    counted = {
        one.machine_id: one.counted_occurrences
        for one in production_counts(session, asked, by=("machine",))
    }
    strokes = strokes_by_machine(session, start, end, as_of)
    exposures = [strokes.get(one, 0) for one in ids]
    if not any(exposures) or not any(counted.values()):
        return dict.fromkeys(ids, 1.0)
    fitted = gamma_poisson([counted.get(one, 0) for one in ids], exposures)
    return {one: float(rate) for one, rate in zip(ids, fitted.rates, strict=True)}
