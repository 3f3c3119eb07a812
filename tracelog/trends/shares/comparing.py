"""Rows of one kind seen together, and what to know before comparing them."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tracelog.json_text import finite
from tracelog.language import _
from tracelog.stats.ranking import probability_highest
from tracelog.stats.shrinkage import fit_gamma, gamma_poisson
from tracelog.trends.answers import RateRow
from tracelog.trends.questions import RateQuestion
from tracelog.trends.rules import PER, SIDE_BY_SIDE, By

# The model is worked out in full for so many rows; with more it takes too long for a page. Of
# more, those with the most exposure set the common distribution, and every row is pulled to it.
MOST_RANKED = 100
MOST_FITTED = 400


def seen_together(rows: Sequence[RateRow], is_known: Sequence[bool]) -> tuple[list[RateRow], bool]:
    """Rows with shrunk rates and the probability of being the worst; and whether all are alike.

    Args:
        rows: rates of one kind.
        is_known: false for the row of what is not on record, which is nobody to compare.

    Returns:
        Rows in order. Beyond `MOST_RANKED` rows only those with the most exposure are given a
        probability: of being the worst among themselves.
    """
    compared = [
        place
        for place, (row, known) in enumerate(zip(rows, is_known, strict=True))
        if known and row.exposure > 0
    ]
    together = list(rows)
    if not compared:
        return together, False
    if len(compared) > MOST_RANKED:
        return _many(together, compared)
    model = gamma_poisson(
        [rows[place].counted for place in compared], [rows[place].exposure for place in compared]
    )
    for index, place in enumerate(compared):
        together[place] = replace(
            rows[place],
            shrunk=finite(model.rates[index] * PER),
            probability_worst=finite(model.probability_worst[index]),
        )
    return together, bool(model.pooled)


def _many(rows: list[RateRow], compared: Sequence[int]) -> tuple[list[RateRow], bool]:
    """The same for a long list: the distribution from its best known rows."""
    most = sorted(compared, key=lambda place: -rows[place].exposure)
    fitting = most[:MOST_FITTED]
    counts = np.array([rows[place].counted for place in fitting], dtype=np.float64)
    exposures = np.array([rows[place].exposure for place in fitting], dtype=np.float64)
    fitted = fit_gamma(counts, exposures)
    if fitted is None:
        rate = float(counts.sum() / exposures.sum())
        for place in compared:
            rows[place] = replace(rows[place], shrunk=finite(rate * PER))
        for place in most[:MOST_RANKED]:
            rows[place] = replace(rows[place], probability_worst=1 / MOST_RANKED)
        return rows, True
    shape, rate = fitted
    worst = probability_highest(counts[:MOST_RANKED] + shape, exposures[:MOST_RANKED] + rate)
    for place in compared:
        row = rows[place]
        rows[place] = replace(
            row, shrunk=finite((row.counted + shape) / (row.exposure + rate) * PER)
        )
    for index, place in enumerate(most[:MOST_RANKED]):
        rows[place] = replace(rows[place], probability_worst=finite(worst[index]))
    return rows, False


def cautions(question: RateQuestion, rows: Sequence[RateRow]) -> list[str]:
    """What to know before comparing rows of this kind."""
    told = []
    if any(one in SIDE_BY_SIDE for one in question.told_apart):
        told.append(
            _(
                "tools that are in a machine at once each have its strokes and its entries; all"
                " together has them once, and is less than the rows added up"
            )
        )
    if any(one in (By.CREW, By.SHIFT) for one in question.told_apart):
        told.append(
            _(
                "crews do not log alike: a crew that looks and writes more has the higher rate for"
                " the same cans"
            )
        )
    ranked = sum(row.probability_worst is not None for row in rows)
    if ranked and ranked < sum(row.shrunk is not None for row in rows):
        told.append(
            _(
                "the chance to be worst is told among the %(ranked)d with the most strokes",
                ranked=ranked,
            )
        )
    return told
