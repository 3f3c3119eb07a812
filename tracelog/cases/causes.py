"""Which cause of a defect is likely: the vocabulary's order, and what was confirmed here before.

Pure. An order of what to check first, not a proof: a cause is confirmed by its check.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from tracelog.reference_rows import Cause

# The vocabulary's order weighs as much as so many confirmed causes. Common practice, no source.
ORDER_WEIGHS = 3.0


@dataclass(frozen=True)
class LikelyCause:
    """A cause with the check that confirms it and the usual remedy.

    `check` and `remedy` are empty for a cause that only people here have named. `cases` is in how
    many earlier cases it was confirmed; `share` is the share of causes that it is expected to be;
    `is_confirmed` says whether it was confirmed in the case that is looked at.
    """

    cause: str
    check: str
    remedy: str
    cases: int
    share: float
    is_confirmed: bool = False


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
