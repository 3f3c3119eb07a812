"""Specification limits of a characteristic: the plant's own, or defaults to start with. Pure."""

from dataclasses import dataclass

from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.reference_rows import Characteristic

NO_LIMIT = "none"


@dataclass(frozen=True)
class LimitWish:
    """One limit as asked for: a number, expressly none, or nothing said."""

    value: float | None = None
    is_said: bool = False


NOTHING_SAID = LimitWish()


@dataclass(frozen=True)
class Limits:
    """Specification limits in the unit of the values; `are_defaults`: one of them is no plant's."""

    lower: float | None
    target: float | None
    upper: float | None
    are_defaults: bool
    note: str = ""

    @property
    def any(self) -> bool:
        """Whether there is a limit to be outside of."""
        return self.lower is not None or self.upper is not None


def limits_of(
    lower: LimitWish,
    target: LimitWish,
    upper: LimitWish,
    known: Characteristic | None,
    unit: str | None,
) -> Limits:
    """The limits that hold: what is said, else the defaults of the vocabulary.

    With a target of the plant's own the default limits are the usual tolerance either side of it.

    Args:
        lower, target, upper: as asked for.
        known: the characteristic in the vocabulary, None if it has none.
        unit: of the values; defaults in another unit are not used.

    Raises:
        TracelogError: they contradict each other, told at one of them.
    """
    usable = known is not None and (unit is None or unit == known.unit)
    usual = known if usable else None
    aim = target.value if target.is_said else (usual.target if usual else None)
    low, high = (usual.lower, usual.upper) if usual else (None, None)
    if usual and usual.tolerance is not None and aim is not None:
        # In decimal, so that 0.092 less 0.005 is 0.087 and no digit more.
        low, high = round(aim - usual.tolerance, 9), round(aim + usual.tolerance, 9)
    used_low = lower.value if lower.is_said else low
    used_high = upper.value if upper.is_said else high
    _check(used_low, aim, used_high, lower.is_said)
    defaults = (not lower.is_said and low is not None) or (not upper.is_said and high is not None)
    return Limits(used_low, aim, used_high, defaults, _(usual.note) if usual else "")


def _check(lower: float | None, target: float | None, upper: float | None, low_said: bool) -> None:
    if lower is not None and upper is not None and lower >= upper:
        if low_said:
            raise TracelogError(
                _("is not below the upper limit, %(upper)g; give both", upper=upper), "lower"
            )
        raise TracelogError(
            _("is not above the lower limit, %(lower)g; give both", lower=lower), "upper"
        )
    if target is None:
        return
    if (lower is not None and target <= lower) or (upper is not None and target >= upper):
        raise TracelogError(_("does not lie between the limits; give all three"), "target")
