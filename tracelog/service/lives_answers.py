"""The documented answers about lives, the same for command and API; and the lives as a file."""

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.json_text import finite
from tracelog.language import _
from tracelog.service.lives import ToolLives
from tracelog.service.lives_rules import CONFIDENCE, Life, Replacing
from tracelog.service.lives_words import (
    costs_sentence,
    gaps_sentence,
    overhaul_sentence,
    saving_sentence,
    verdict_sentence,
    wear_sentence,
)
from tracelog.service.machine_lives import MachineLives
from tracelog.stats.intervals import Interval
from tracelog.web.sheets import Sheet

LIFE_COLUMNS = (
    *("serial", "life", "tool_type", "position", "machine", "started_at", "ended_at"),
    *("entry_strokes", "strokes", "counted_as", "why"),
)


def lives_answer(
    kinds: Sequence[ToolLives], without_type: int, machines: MachineLives, as_of: datetime
) -> dict[str, Any]:
    """Lives of tools and of machines between overhauls, as JSON-ready values.

    Strokes are whole numbers; `null` where nothing can be said, or where an end is infinite.
    """
    return {
        "as_of": as_of,
        "confidence": CONFIDENCE,
        "tools": [_kind(one) for one in kinds],
        "lives_without_tool_type": without_type,
        "machines": _machines(machines),
    }


def _kind(kind: ToolLives) -> dict[str, Any]:
    figures = kind.figures
    return {
        "tool_type": kind.tool_type,
        "position": kind.position,
        "lives": figures.lives,
        "failures": figures.failures,
        "removals": figures.removals,
        "censored": dict(figures.censored),
        "left_out": dict(figures.left_out),
        **_ends("shape", figures.shape),
        **_ends("scale_strokes", figures.scale, whole=True),
        **_ends("b10_strokes", figures.b10, whole=True),
        "verdict": kind.replacing.verdict.value,
        "sentences": [
            sentence
            for sentence in (
                verdict_sentence(figures, kind.replacing),
                wear_sentence(figures),
                saving_sentence(kind.replacing),
                costs_sentence(kind.replacing) if figures.fit is not None else "",
            )
            if sentence
        ],
        **_replacing(kind.replacing),
    }


def _replacing(replacing: Replacing) -> dict[str, Any]:
    saving, costs = replacing.saving, replacing.costs
    return {
        "planned_cost": costs.planned,
        "unplanned_cost": costs.unplanned,
        "costs_are_a_guess": costs.is_guess,
        "interval_now_strokes": _strokes(replacing.interval_now),
        "interval_now_from": replacing.interval_from.value,
        "best_interval_strokes": _strokes(saving.best.interval if saving else None),
        "best_interval_strokes_low": _strokes(saving.interval_low if saving else None),
        "best_interval_strokes_high": _strokes(saving.interval_high if saving else None),
        "advised_interval_strokes": _strokes(saving.interval_then if saving else None),
        "saving_per_million": saving and saving.saving * 1e6,
        "saving_per_million_low": saving and saving.saving_low * 1e6,
        "saving_per_million_high": saving and saving.saving_high * 1e6,
        "strokes_a_year": round(replacing.strokes_a_year),
    }


def _machines(lives: MachineLives) -> dict[str, Any]:
    runs, mean = lives.runs, lives.gaps.mean
    return {
        "overhaul": lives.overhaul,
        "runs": runs.runs,
        "machines_not_begun": lives.not_begun,
        "unplanned_in_runs": runs.failures,
        "trend": runs.trend.value,
        **_ends("shape", runs.shape),
        "p_value": runs.law.p_value if runs.law else None,
        "sentence": overhaul_sentence(lives),
        "unplanned": lives.gaps.failures,
        "strokes_between_unplanned": _strokes(mean.mean if mean else None),
        "strokes_between_unplanned_low": _strokes(mean.low if mean else None),
        "strokes_between_unplanned_high": _strokes(mean.high if mean else None),
        "gaps_sentence": gaps_sentence(lives),
    }


def _ends(name: str, interval: Interval[float] | None, *, whole: bool = False) -> dict[str, Any]:
    ends: tuple[float | None, ...] = (None, None, None)
    if interval is not None:
        ends = (interval.estimate, interval.low, interval.high)
    written = [_strokes(end) if whole else finite(end) for end in ends]
    return dict(zip((name, f"{name}_low", f"{name}_high"), written, strict=True))


def _strokes(value: float | None) -> int | None:
    return round(value) if value is not None and math.isfinite(value) else None


def lives_sheet(lives: Sequence[Life], zone: ZoneInfo) -> Sheet:
    """Lives as a table for a file, one row each, with what each says."""
    rows = tuple(
        (
            *(one.serial, one.number, one.tool_type, one.position, one.machine),
            *(one.started_at, one.ended_at, one.entry_strokes, one.strokes),
            *(str(one.counted_as), str(one.why)),
        )
        for one in lives
    )
    return Sheet(_("lives"), LIFE_COLUMNS, rows, zone)
