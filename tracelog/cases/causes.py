"""Which cause of a defect is likely: what was confirmed before, and where the defect shows now.

Pure. An order of what to check first, not a proof: a cause is confirmed by its check.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from tracelog.reference_rows import Cause

# The vocabulary's order weighs as much as so many confirmed causes. Common practice, no source.
ORDER_WEIGHS = 3.0
# What a cause is left with that points nowhere where the defect shows: explanations may be wrong,
# and a cause may leave no trace. Common practice, no source.
LEFT = 0.1
# Kinds of explanations that a tool in a position stands behind.
_TOOLS = frozenset({"tool", "wear", "batch"})


@dataclass(frozen=True)
class LikelyCause:
    """A cause with the check that confirms it and the usual remedy.

    `check` and `remedy` are empty for a cause that only people here have named. `cases` is in how
    many earlier cases it was confirmed; `share` is the share of causes that it is expected to be,
    `before` what it would be without the explanation, and `shown` the probability of the
    explanations to which it points; `is_confirmed` says whether it was confirmed in the case that
    is looked at.
    """

    cause: str
    check: str
    remedy: str
    cases: int
    share: float
    is_confirmed: bool = False
    before: float = 0.0
    shown: float = 0.0


def weigh_causes(
    known: Sequence[Cause], earlier: Iterable[Collection[str]], here: Collection[str] = ()
) -> list[LikelyCause]:
    """Causes of a defect, likeliest first.

    The posterior mean of a multinomial share with a Dirichlet prior, whose pseudo-counts sum to
    `ORDER_WEIGHS` and fall with the place in the vocabulary as 1, 1/2, 1/3 and so on.

    Args:
        known: the vocabulary's causes of the defect, likeliest first; the order is from memory.
        earlier: for each earlier case of the defect, the causes confirmed in it; one that is named
            twice in a case counts once, and upper or lower case does not matter.
        here: causes confirmed in this case, which do not count.

    Source: Good (1965), The Estimation of Probabilities (from memory).
    Example: of two causes, the second confirmed in two cases: shares 0.4 and 0.6.
    """
    rows = {one.cause.casefold(): (one.cause, one.check, one.remedy) for one in known}
    counts = dict.fromkeys(rows, 0)
    for names in earlier:
        for folded, name in {name.casefold(): name for name in names}.items():
            rows.setdefault(folded, (name, "", ""))
            counts[folded] = counts.get(folded, 0) + 1
    confirmed = {name.casefold() for name in here}
    for name in here:
        rows.setdefault(name.casefold(), (name, "", ""))
    weights = {one.cause.casefold(): 1 / place for place, one in enumerate(known, start=1)}
    prior = ORDER_WEIGHS / sum(weights.values()) if weights else 0.0
    whole = sum(counts.values()) + (ORDER_WEIGHS if weights else 0.0)
    found = [
        LikelyCause(
            *row,
            counts.get(folded, 0),
            (counts.get(folded, 0) + prior * weights.get(folded, 0.0)) / whole if whole else 0.0,
            folded in confirmed,
        )
        for folded, row in rows.items()
    ]
    # Sorting is stable, so that what is alike stays in the order of the vocabulary.
    return sorted(found, key=lambda one: -one.share)


def points_of(explanation: Mapping[str, Any]) -> tuple[str, ...]:
    """Where an explanation points, in the words of the vocabulary's `points_to`.

    Args:
        explanation: one of the documented answer of `explain`.

    Example: a worn tool in the position ring-3 points to ``tool:ring-3``.
    """
    kind = str(explanation["kind"])
    if kind in _TOOLS:
        return (f"tool:{explanation['position']}",)
    if kind == "change":
        what = str(explanation["name"]).partition(" @ ")[0]
        return (f"change:{what}",)
    return (kind,)


def weigh_by_explanation(
    causes: Sequence[LikelyCause],
    points_to: Mapping[str, Collection[str]],
    answer: Mapping[str, Any] | None,
) -> list[LikelyCause]:
    """Shares of causes in the light of what explains the defect's rate, likeliest first.

    With p the probability of all explanations to which a cause points, its share becomes its
    Dirichlet share times (0.1 + p), divided by the sum of these. Where nothing special is likely,
    or nothing is known, shares stay as they were.

    Args:
        causes: from `weigh_causes`.
        points_to: of each cause, by its name folded; causes that are not in it point nowhere.
        answer: the documented answer of `explain`; None: nothing is known.

    Source: Bayes' theorem with the probabilities as likelihoods, our own; 0.1 is common practice,
        no source.
    Example: shares 0.5 and 0.5, the first points to what has 0.9: shares 0.91 and 0.09.
    """
    chances: dict[str, float] = {}
    for one in answer["explanations"] if answer else ():
        for point in points_of(one):
            chances[point] = chances.get(point, 0.0) + float(one["probability"])
    shown = [
        min(sum(chances.get(point, 0.0) for point in points_to.get(one.cause.casefold(), ())), 1.0)
        for one in causes
    ]
    weights = [one.share * (LEFT + chance) for one, chance in zip(causes, shown, strict=True)]
    whole = sum(weights)
    found = [
        replace(one, share=weight / whole if whole else one.share, before=one.share, shown=chance)
        for one, weight, chance in zip(causes, weights, shown, strict=True)
    ]
    return sorted(found, key=lambda one: -one.share)
