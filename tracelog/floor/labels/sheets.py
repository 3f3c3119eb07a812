"""Sheets of labels: what stands on each label, and how labels lie on sheets of paper.

Pure: values in, values out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

# Of all sizes together, so that a page can be looked at before it is printed.
MOST_LABELS = 400


class LabelSize(StrEnum):
    """How large labels are printed; ISO A4 with a margin of 8 mm is 194 by 281 mm."""

    LARGE = "large"
    MEDIUM = "medium"
    SMALL = "small"


@dataclass(frozen=True)
class Grid:
    """Labels of one size on a sheet: columns and rows, and one label in millimetres."""

    columns: int
    rows: int
    width_mm: int
    height_mm: int

    @property
    def places(self) -> int:
        """How many labels a sheet holds."""
        return self.columns * self.rows


GRIDS = {
    LabelSize.LARGE: Grid(2, 4, 97, 70),
    LabelSize.MEDIUM: Grid(3, 8, 64, 35),
    LabelSize.SMALL: Grid(4, 10, 48, 28),
}


@dataclass(frozen=True)
class Label:
    """What stands on one label.

    Attributes:
        address: in full, as the QR code holds it; `short` is the same without ``https://``.
        title: what the thing is called: ``3-7``, ``3 necker 1``, a serial.
        detail: its name or type, blank if it has none.
        line: number of the line, to be drawn in the figure; None: it is a tool.
        number: number of the machine.
    """

    address: str
    title: str
    detail: str
    line: int | None = None
    number: int | None = None

    @property
    def short(self) -> str:
        """The address as people read it."""
        return self.address.partition("://")[2] or self.address


def sheets(labels: Sequence[Label], grid: Grid, used: int = 0) -> list[list[Label | None]]:
    """Labels on sheets, in order; places that were used before stay empty on the first.

    Args:
        labels: in the order in which they are printed.
        grid: of their size.
        used: how many labels of the first sheet were taken off before, below `grid.places`.

    Example:
        >>> [len(sheet) for sheet in sheets([Label("", "", "")] * 10, Grid(2, 4, 97, 70), used=3)]
        [8, 5]
    """
    places: list[Label | None] = [None] * used + list(labels)
    return [places[start : start + grid.places] for start in range(0, len(places), grid.places)]
