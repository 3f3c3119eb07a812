"""The machines of the plant, and which of them the planted stories happen to."""

from dataclasses import dataclass

import numpy as np

from seed_demo.sizes import PlantSize

PLANT_NAME = "Wrenholt"
TRANSIT_MINUTES = (20, 95)
COUNTER_MAXIMA = (99_999_999, 9_999_999, 999_999_999, 99_999_999)
OTHER_STATIONS: tuple[tuple[str, int | None], ...] = (
    ("cupper", 220),
    ("necker", None),
    ("light-tester", None),
    ("palletiser", None),
)
# Parts that come round in turn; within what is usual (common practice, no source). Necker and
# flanger share a count, as they do in many plants.
STATION_PARTS: tuple[tuple[str, str, int], ...] = (
    ("cupper", "pocket", 12),
    ("decorator", "mandrel", 24),
    ("decorator", "segment", 8),
    ("spray-machine", "pocket", 6),
    ("necker", "pocket", 12),
    ("flanger", "pocket", 12),
    ("reformer", "pocket", 16),
    ("light-tester", "pocket", 24),
)


@dataclass(frozen=True)
class Bodymaker:
    """One bodymaker: where it stands, its counter and its rated speed in strokes a minute."""

    line: int
    number: int
    counter_max: int
    rated_spm: int

    @property
    def code(self) -> str:
        """The dome code of its own number, line first."""
        return f"{self.line}-{self.number}"


@dataclass(frozen=True)
class Roles:
    """Indices of the bodymakers (and the line) that the planted stories happen to.

    None where the plant is too small for the story.
    """

    ring_from: int
    ring_to: int | None
    pressure: int
    coil_line: int
    dome_from: int | None
    dome_to: int | None


def build_bodymakers(size: PlantSize, rng: np.random.Generator) -> list[Bodymaker]:
    """Return all bodymakers, line by line."""
    made = []
    for line in range(1, size.lines + 1):
        line_spm = rng.integers(330, 390)
        for number in range(1, size.bodymakers + 1):
            spm = int(np.clip(line_spm + rng.integers(-25, 26), 300, 420))
            counter_max = COUNTER_MAXIMA[(line + number - 2) % len(COUNTER_MAXIMA)]
            made.append(Bodymaker(line, number, counter_max, spm))
    return made


def choose_roles(size: PlantSize) -> Roles:
    """Return which machines the planted stories use, apart from each other where possible."""
    lines, width = size.lines, size.bodymakers

    def index(line: int, number: int) -> int:
        return (line - 1) % lines * width + (number - 1) % width

    ring_from = index(2, 3)
    taken = [ring_from]
    ring_to = _first_free([index(3, 5), *range(lines * width)], taken)
    pressure = _first_free([index(4, 2), *range(lines * width)], taken)
    dome_from = _first_free([index(3, 7), *range(lines * width)], taken)
    dome_to = None
    if dome_from is not None:
        start = dome_from // width * width
        dome_to = _first_free([start + 1, *range(start, start + width)], taken)
    return Roles(
        ring_from=ring_from,
        ring_to=ring_to,
        pressure=ring_from if pressure is None else pressure,
        coil_line=1,
        dome_from=dome_from if dome_to is not None else None,
        dome_to=dome_to,
    )


def _first_free(wanted: list[int], taken: list[int]) -> int | None:
    for candidate in wanted:
        if candidate not in taken:
            taken.append(candidate)
            return candidate
    return None
