"""Published figures and their data, read from shared/published."""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

FOLDER = Path(__file__).parents[2] / "shared" / "published"


# What was compared, in order: the check's id, the quantity, and the value found.
compared: list[tuple[str, str, Any]] = []


class Check:
    """One published check: its data by column, and its expected figures, each to be met once."""

    def __init__(self, check_id: str) -> None:
        index = tomllib.loads((FOLDER / "index.toml").read_text(encoding="utf-8"))
        self.entry: dict[str, Any] = next(c for c in index["check"] if c["id"] == check_id)
        self._open = {item["quantity"]: item for item in self.entry["expected"]}

    def rows(self) -> list[dict[str, str]]:
        """The rows of the check's data file."""
        with (FOLDER / self.entry["file"]).open(encoding="utf-8", newline="") as lines:
            return list(csv.DictReader(lines))

    def column(self, name: str) -> npt.NDArray[np.float64]:
        """One column of the data file as numbers."""
        return np.array([float(row[name]) for row in self.rows()])

    def meets(self, quantity: str, value: Any) -> None:
        """Assert that a value equals the published figure to its stated tolerance."""
        item = self._open.pop(quantity)
        compared.append((self.entry["id"], quantity, value))
        expected, tolerance = item["value"], item.get("tolerance")
        if tolerance is None:
            exact = value.tolist() if isinstance(value, np.ndarray) else value
            assert exact == expected, f"{quantity}: {exact} is not {expected}"
        else:
            # Half a unit in the last place of a decimal is not exact in binary.
            slack = tolerance + 1e-12 * max(1.0, abs(expected))
            assert abs(value - expected) <= slack, f"{quantity}: {value} is not {expected}"

    def meets_points(self, quantity: str, indices: Sequence[int] | npt.NDArray[np.intp]) -> None:
        """Assert which points are named; the figures count points from 1."""
        self.meets(quantity, [int(index) + 1 for index in indices])

    def quantities(self) -> list[str]:
        """The figures not met so far."""
        return list(self._open)

    def all_met(self) -> None:
        """Assert that no expected figure was left out."""
        assert not self._open, f"not compared: {list(self._open)}"
