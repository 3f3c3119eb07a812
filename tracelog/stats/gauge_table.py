"""The analysis of variance of a gauge study as the table that it is read from."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tracelog.stats.gauge import GaugeStudy
from tracelog.stats.inputs import one_count


@dataclass(frozen=True)
class VarianceRow:
    """One row of the table; `mean_square`, `f` and `p` are None where there is none.

    `source` is ``parts``, ``operators``, ``interaction``, ``error`` or ``total``.
    """

    source: str
    freedom: int
    sum_of_squares: float
    mean_square: float | None
    f: float | None
    p: float | None


def variance_table(
    study: GaugeStudy, parts: int, operators: int, trials: int, *, pooled: bool
) -> tuple[VarianceRow, ...]:
    """Sums of squares, mean squares and F ratios, parts and operators both random.

    Formula: F of parts and of operators is their mean square over that of the interaction, F of
    the interaction is over the error; where the interaction is pooled with the error, all are over
    the pooled mean square and the interaction has no row.

    Args: study: as `gauge_study` gives it. parts, operators, trials: its shape. pooled: whether
        the interaction was pooled.
    Raises: ValueError naming the argument.
    Source: Montgomery, Introduction to Statistical Quality Control, 6th ed., sec. 8.7.2.
    Example: the published thermal impedances have F 162.27 for parts and 7.28 for operators, over
        the interaction's mean square of 2.695.
    """
    p, o = one_count("parts", parts, least=2), one_count("operators", operators, least=2)
    n = one_count("trials", trials, least=2)
    crossed, error = (p - 1) * (o - 1), p * o * (n - 1)
    below_ss, below = study.ss_interaction, crossed
    if pooled:
        below_ss, below = study.ss_interaction + study.ss_error, crossed + error
    rows = [
        _row("parts", study.ss_parts, p - 1, below_ss, below),
        _row("operators", study.ss_operators, o - 1, below_ss, below),
    ]
    if pooled:
        rows.append(VarianceRow("error", below, below_ss, below_ss / below, None, None))
    else:
        rows.append(_row("interaction", below_ss, crossed, study.ss_error, error))
        mean_square = study.ss_error / error
        rows.append(VarianceRow("error", error, study.ss_error, mean_square, None, None))
    rows.append(VarianceRow("total", p * o * n - 1, study.ss_total, None, None, None))
    return tuple(rows)


def _row(
    source: str, squares: float, freedom: int, below: float, freedom_below: int
) -> VarianceRow:
    """A row with its F ratio over the mean square below it."""
    from scipy.special import fdtrc

    mean_square, under = max(squares, 0.0) / freedom, max(below, 0.0) / freedom_below
    if under <= 0:
        ratio, p = (None, None) if mean_square <= 0 else (math.inf, 0.0)
    else:
        ratio = mean_square / under
        p = float(fdtrc(freedom, freedom_below, ratio))
    return VarianceRow(source, freedom, squares, mean_square, ratio, p)
