"""The defect types this plant logs: their words from the shared vocabulary, their rates here.

Rates are invented: entries per million strokes of an average machine in running production.
"""

import tomllib
from dataclasses import dataclass

from tracelog.paths import shared_folder

STATIONS = ("bodymaker", "necker", "light-tester", "palletiser")
# Where a defect is found, as chances for the stations above.
AT_MACHINE = (0.96, 0.0, 0.0, 0.04)
AT_DISCHARGE = (0.60, 0.08, 0.10, 0.22)
AT_TESTER = (0.08, 0.02, 0.84, 0.06)
AT_NECKER = (0.10, 0.55, 0.10, 0.25)
AT_END = (0.15, 0.10, 0.15, 0.60)


@dataclass(frozen=True)
class LoggedDefect:
    """How often a defect is logged, how much machines differ, and where it is found.

    `shape` is that of the gamma distribution of the machines' rates (mean 1): the smaller, the
    more they differ.
    """

    defect: str
    rate_per_million: float
    shape: float
    found: tuple[float, float, float, float]


LOGGED = (
    LoggedDefect("wall-tear-off", 1.20, 4.0, AT_MACHINE),
    LoggedDefect("score-outside", 0.60, 6.0, AT_DISCHARGE),
    LoggedDefect("pinhole", 0.54, 8.0, AT_TESTER),
    LoggedDefect("strip-crush", 0.43, 4.0, AT_DISCHARGE),
    LoggedDefect("redraw-pleat", 0.38, 6.0, AT_DISCHARGE),
    LoggedDefect("trim-short", 0.32, 4.0, AT_NECKER),
    LoggedDefect("dome-mark", 0.36, 3.0, AT_DISCHARGE),
    LoggedDefect("wall-split", 0.29, 6.0, AT_TESTER),
    LoggedDefect("galling-band", 0.29, 4.0, AT_DISCHARGE),
    LoggedDefect("trim-burr", 0.31, 3.0, AT_NECKER),
    LoggedDefect("score-inside", 0.26, 5.0, AT_DISCHARGE),
    LoggedDefect("strip-hang", 0.29, 4.0, AT_MACHINE),
    LoggedDefect("scrap-rolled-in", 0.24, 6.0, AT_TESTER),
    LoggedDefect("redraw-tear", 0.22, 5.0, AT_MACHINE),
    LoggedDefect("dome-wrinkle", 0.22, 4.0, AT_DISCHARGE),
    LoggedDefect("dome-off-centre", 0.19, 3.0, AT_DISCHARGE),
    LoggedDefect("dome-number-poor", 0.19, 2.5, AT_END),
    LoggedDefect("flange-split", 0.22, 8.0, AT_NECKER),
    LoggedDefect("neck-pleat", 0.19, 8.0, AT_NECKER),
    LoggedDefect("body-dent", 0.22, 15.0, AT_END),
    LoggedDefect("wall-uneven", 0.17, 4.0, AT_DISCHARGE),
    LoggedDefect("metal-streak", 0.14, 15.0, AT_DISCHARGE),
    LoggedDefect("chatter-rings", 0.13, 3.0, AT_DISCHARGE),
    LoggedDefect("trim-slant", 0.12, 4.0, AT_NECKER),
    LoggedDefect("redraw-uneven", 0.11, 4.0, AT_DISCHARGE),
    LoggedDefect("wall-off-gauge", 0.10, 4.0, AT_DISCHARGE),
    LoggedDefect("dome-crack", 0.08, 6.0, AT_TESTER),
    LoggedDefect("dome-depth-off", 0.08, 4.0, AT_DISCHARGE),
    LoggedDefect("trim-tall", 0.06, 4.0, AT_NECKER),
    LoggedDefect("step-misplaced", 0.05, 4.0, AT_NECKER),
)
CODES = tuple(logged.defect for logged in LOGGED)
# Looked for in a daily sample of every machine: share of bad cans of an average machine.
SAMPLED = {"score-outside": 0.0020, "dome-mark": 0.0025}
SAMPLE_CANS = 200


def defect_type_rows() -> list[tuple[str, ...]]:
    """Return the rows of defect_types.csv, in the words of the shared vocabulary.

    Raises KeyError when the shared vocabulary lacks a defect that this plant logs.
    """
    with (shared_folder() / "defects.toml").open("rb") as file:
        known = {entry["defect"]: entry for entry in tomllib.load(file)["defect"]}
    return [
        (
            code,
            known[code]["name"],
            known[code]["stage"],
            known[code]["severity"],
            known[code]["arises_at"],
            ", ".join(known[code]["traces_to"]),
            "",
        )
        for code in CODES
    ]
