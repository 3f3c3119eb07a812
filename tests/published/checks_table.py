"""The page that sets every published figure beside ours, made by running the checks."""

import importlib
import math
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from tests.published import figures

PAGE = Path(__file__).parents[2] / "docs" / "published-checks.md"
HEAD = """# Published checks

Every statistical method here is checked against figures that others have printed. This page is
written by the checks themselves (`make checks-table`); a test fails where it is out of date. The
figures, data and sources lie in the folder `shared/published`.

*Confirmed* says how sure a figure is: *search*, it was seen in a stored public text; *memory*, it
was written down from memory of the source; *recomputed*, it was worked out again independently;
where it says only that, no printed answer was at hand. A tolerance is absolute; *exact* is exact.
"""

SOURCES = """
## Methods and sources

| check | method | source | confirmed |
| --- | --- | --- | --- |
"""
FIGURES = """
## Figures

| check and method | figure | published | ours | tolerance |
| --- | --- | --- | --- | --- |
"""


@cache
def run_checks() -> dict[str, list[tuple[str, Any]]]:
    """Every published check, run: what it found, by its id, in the order it was compared.

    Raises:
        AssertionError: a figure is not met.
    """
    tests = [
        (name, function)
        for path in sorted(Path(__file__).parent.glob("test_*.py"))
        for name, function in vars(importlib.import_module(f"tests.published.{path.stem}")).items()
        if name.startswith("test_a") and name[6:8].isdecimal()
    ]
    found: dict[str, list[tuple[str, Any]]] = {}
    for _name, function in tests:
        before = len(figures.compared)
        function()
        for check, quantity, value in figures.compared[before:]:
            found.setdefault(check, []).append((quantity, value))
    return found


def page() -> str:
    """The page as it should stand."""
    index = tomllib.loads((figures.FOLDER / "index.toml").read_text(encoding="utf-8"))
    found = run_checks()
    sources, rows = [], []
    for check in index["check"]:
        ours = dict(found[check["id"]])
        sources.append(
            _row(
                check["id"],
                check["method"],
                check["source"],
                f"{check['confirmed']}.{_caveat(check)}",
            )
        )
        for item in check["expected"]:
            tolerance = item.get("tolerance")
            rows.append(
                _row(
                    f"{check['id']} {check['method']}",
                    item["quantity"],
                    _text(item["value"], None),
                    _text(ours[item["quantity"]], tolerance),
                    "exact" if tolerance is None else f"{tolerance:g}",
                )
            )
    return "".join([HEAD, SOURCES, *sources, FIGURES, *rows])


def _row(*cells: str) -> str:
    return f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in cells)} |\n"


def _caveat(check: dict[str, Any]) -> str:
    text = check.get("caveat", "").rstrip(".")
    return f" {text[0].upper()}{text[1:]}." if text else ""


def _text(value: Any, tolerance: float | None) -> str:
    """A figure: two digits beyond its tolerance, as further ones hang on the machine."""
    if isinstance(value, np.ndarray):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return ", ".join(_text(one, tolerance) for one in value) or "none"
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    if tolerance is None:
        return f"{float(value):.12g}"
    places = max(1, 2 - math.floor(math.log10(tolerance)))
    return f"{float(value):.{min(places, 15)}f}".rstrip("0").rstrip(".")
