"""What a case cost: cans, strokes, downtime, pallets on hold. Pure."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Usual:
    """Cans lost to the defect and strokes made on the same machines before the trouble began."""

    cans: int
    strokes: int


@dataclass(frozen=True)
class Cost:
    """What a case cost so far.

    Attributes:
        cans: lost in running production to its defect on its machines, since it has been seen
            until its end.
        strokes: made there in that time.
        expected: cans that the usual rate would have cost in as many strokes; None: not known.
        entries: how many reports they are.
        minutes_down: that the machines stood for its steps, as told; None: nobody told.
        strokes_not_made: in those minutes at the rated speed; None: no minutes or no speed.
        pallets: on hold that are linked to it, or lie in a hold that is.
        pallet_cans: on them, of those whose count is on record.
    """

    cans: int
    strokes: int
    expected: float | None
    entries: int
    minutes_down: int | None
    strokes_not_made: int | None
    pallets: int
    pallet_cans: int

    @property
    def above_usual(self) -> float | None:
        """Cans above what the usual rate would have cost; below 0 where it cost less."""
        return None if self.expected is None else self.cans - self.expected

    @property
    def scrapped_strokes(self) -> int:
        """Strokes whose cans were scrapped: each stroke makes one can."""
        return self.cans


def expected_cans(usual: Usual, strokes: int) -> float | None:
    """Cans that the usual rate costs in so many strokes; None without strokes before."""
    return usual.cans * strokes / usual.strokes if usual.strokes else None


def strokes_not_made(minutes: int | None, speeds: list[float | None]) -> int | None:
    """Strokes that a machine does not make in so many minutes.

    Args:
        minutes: it stood; None: not told.
        speeds: rated strokes a minute of the case's machines; their mean counts, since a step does
            not say which machine of a line stood.
    """
    known = [one for one in speeds if one is not None]
    if minutes is None or not known:
        return None
    return round(minutes * sum(known) / len(known))
