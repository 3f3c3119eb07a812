"""A sampling plan to clear what is not held, and plainly what it cannot see. Pure."""

from dataclasses import dataclass

import numpy as np

from tracelog.errors import TracelogError
from tracelog.language import _, figure
from tracelog.stats.sampling import (
    SamplingPlan,
    acceptance_binomial,
    acceptance_hypergeometric,
    code_letter,
    normal_inspection_plan,
    quality_at_acceptance,
)
from tracelog.stats.seeing import cans_to_see, fraction_seen

# Percent; a leak or contact defect allows the small ones only (common practice, no source).
QUALITY_LEVELS = (0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5)
LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
USUAL_QUALITY, USUAL_LEVEL, USUAL_SEEN = 0.65, "II", 0.001
# Cans that may let the drink out or meet it: not one may be found. So is wrong information.
ZERO_SEVERITIES = ("label", "leak", "contact")
CONFIDENCE = 0.95
_POINTS = 41
# A lot of at least ten times the sample counts as very large (common practice).
_LARGE = 10


@dataclass(frozen=True)
class Clearing:
    """A single sampling plan for a lot, and what it lets through.

    Attributes:
        plan: code letter, cans, acceptance and rejection number.
        lot: cans.
        quality_level: in percent, and `level`, the inspection level.
        is_zero: the acceptance number was set to zero, for what a bad can may do.
        fractions, accepted: (k,) fractions of bad cans, and the chance that the lot is accepted.
        accepted_95, accepted_10: fraction of bad cans at which it is with 95 % and 10 % chance.
        seen_fraction: a fraction, and `seen_cans` how many cans would show it with 95 %.
        shown: the smallest fraction that this plan's own sample would show with 95 %.
    """

    plan: SamplingPlan
    lot: int
    quality_level: float
    level: str
    is_zero: bool
    fractions: tuple[float, ...]
    accepted: tuple[float, ...]
    accepted_95: float
    accepted_10: float
    seen_fraction: float
    seen_cans: int
    shown: float


def clearing(
    lot: int,
    quality_level: float = USUAL_QUALITY,
    level: str = USUAL_LEVEL,
    is_zero: bool = False,
    seen_fraction: float = USUAL_SEEN,
) -> Clearing:
    """A plan for normal inspection of a lot by attributes (ISO 2859-1:1999, Tables 1 and 2-A).

    Args:
        lot: cans, 2 or more.
        quality_level: acceptance quality limit in percent, one of `QUALITY_LEVELS`.
        level: inspection level, one of `LEVELS`.
        is_zero: accept with no bad can only; the number of cans stays that of the table.
        seen_fraction: of which to say how many cans would show it.

    Raises:
        TracelogError: at ``lot``, ``aql``, ``level`` or ``seen``.
    """
    if lot < 2:
        raise TracelogError(_("is below 2; a lot has at least two cans"), "lot")
    if quality_level not in QUALITY_LEVELS:
        known = ", ".join(figure(one, "g") for one in QUALITY_LEVELS)
        raise TracelogError(_("is not one of %(known)s", known=known), "aql")
    if level not in LEVELS:
        raise TracelogError(_("is not one of %(known)s", known=", ".join(LEVELS)), "level")
    if not 0 < seen_fraction <= 1:
        raise TracelogError(
            _("is not above 0 and up to 1; write 0.001 for one in a thousand"), "seen"
        )
    plan = normal_inspection_plan(code_letter(lot, level), quality_level)
    if is_zero and plan.accept:
        plan = SamplingPlan(plan.size, 0, 1, plan.code_letter)
    if plan.size >= lot:
        # A plan that asks for more than there is asks for all.
        plan = SamplingPlan(max(lot, plan.accept + 1), plan.accept, plan.reject, plan.code_letter)
    at_95 = quality_at_acceptance(plan.size, plan.accept, 0.95)
    at_10 = quality_at_acceptance(plan.size, plan.accept, 0.10)
    fractions = np.linspace(0.0, min(1.0, 1.6 * at_10), _POINTS)
    return Clearing(
        plan,
        lot,
        quality_level,
        level,
        is_zero,
        tuple(fractions.tolist()),
        tuple(_accepted(plan, lot, fractions).tolist()),
        at_95,
        at_10,
        seen_fraction,
        cans_to_see(seen_fraction, CONFIDENCE),
        fraction_seen(plan.size, CONFIDENCE),
    )


def _accepted(
    plan: SamplingPlan, lot: int, fractions: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Chance of acceptance: by the binomial distribution, in a small lot without return."""
    if lot >= _LARGE * plan.size or plan.size >= lot:
        return np.asarray(acceptance_binomial(plan.size, plan.accept, fractions))
    bad = np.round(fractions * lot)
    return np.asarray(acceptance_hypergeometric(lot, plan.size, plan.accept, bad))
