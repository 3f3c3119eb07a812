"""Explanations of a defect's rate, read from the database and weighed."""

from dataclasses import dataclass

import numpy as np
from sqlalchemy.orm import Session

from tracelog.cases.explain.apart import Observation, observations
from tracelog.cases.explain.evidence import Evidence
from tracelog.cases.explain.inside import Inside, Whole, inside_of, whole_of
from tracelog.cases.explain.queries import read_evidence
from tracelog.cases.explain.questions import ExplainQuestion
from tracelog.cases.explain.ranking import Likely, Ranking, rank
from tracelog.plant.queries import Directory, PlantView
from tracelog.stats.inputs import FloatArray

# A second cause is looked for beside a first one that is likelier than this, and told from here on.
_SURE_OF_FIRST = 0.5
_WORTH_TELLING = 0.5


@dataclass(frozen=True)
class Explained:
    """The answer to a question.

    Attributes:
        asked: what was asked.
        whole: what was found and made.
        nothing: probability that nothing is wrong anywhere.
        likely: causes in order, each with what lies inside it.
        beside: a second cause that is likely given the first, None mostly.
        apart: what would tell the two leading ones apart.
        causes: how many were weighed.
        has_history: whether there was enough before the period to learn what is usual.
        ranking: what they were weighed with.
    """

    asked: ExplainQuestion
    whole: Whole
    nothing: float
    likely: tuple[tuple[Likely, Inside], ...]
    beside: tuple[Likely, Inside] | None
    apart: tuple[Observation, ...]
    causes: int
    has_history: bool
    ranking: Ranking | None


def explain(
    session: Session, plant: PlantView, places: Directory, asked: ExplainQuestion
) -> Explained:
    """Weigh every cause of what was found of a defect in a period.

    Args:
        session: an open session.
        plant, places: as read.
        asked: from `questions.question`.

    Returns:
        Explanations; a fixed number of statements. Without bodymakers or entries: none.
    """
    if not places.bodymakers:
        return _nothing(asked, Whole(0, 0, 0, 0))
    return explained(asked, read_evidence(session, plant, places, asked))


def explained(asked: ExplainQuestion, evidence: Evidence) -> Explained:
    """Weigh every cause by evidence that is at hand."""
    whole = whole_of(evidence)
    settled = evidence.entries.machine >= 0
    now = (evidence.entries.at >= evidence.start) & (evidence.entries.at < evidence.end)
    if not (settled & now).any() or not whole.strokes:
        return _nothing(asked, whole)
    ranking = rank(evidence)
    likely = tuple((one, inside_of(ranking, one)) for one in ranking.likely)
    return Explained(
        asked,
        whole,
        ranking.nothing,
        likely,
        _second(ranking),
        tuple(observations(ranking)),
        ranking.causes,
        ranking.ground.usual.has_history,
        ranking,
    )


def _nothing(asked: ExplainQuestion, whole: Whole) -> Explained:
    return Explained(asked, whole, 1.0, (), None, (), 0, has_history=False, ranking=None)


def _second(ranking: Ranking) -> tuple[Likely, Inside] | None:
    """What is still unusual when the first cause is taken as given."""
    first = ranking.likely[0]
    if first.probability < _SURE_OF_FIRST:
        return None
    ground = ranking.ground
    found = rank(ground.evidence, ground.usual, _raised(ranking, first))
    second = found.likely[0]
    if second.probability < _WORTH_TELLING or second.cause.thing == first.cause.thing:
        return None
    return second, inside_of(found, second)


def _raised(ranking: Ranking, one: Likely) -> FloatArray:
    """(m, k) how many times the usual rate a cause makes of each piece of machine time."""
    evidence = ranking.ground.evidence
    inside = inside_of(ranking, one)
    covered = np.zeros(evidence.strokes.shape)
    width = np.diff(evidence.edges)
    for stretch in inside.stretches:
        overlap = np.minimum(evidence.edges[1:], stretch.end) - np.maximum(
            evidence.edges[:-1], stretch.start
        )
        covered[stretch.machine] += np.clip(overlap, 0, None) / width * inside.share
    raised: FloatArray = 1 + np.clip(covered, 0, 1) * (one.ratio - 1)
    return raised
