"""Decisions about the lives of tools: what counts as a failure, and whether age should decide.

The condition of a tool always goes before its age; what stands here is about tools that look good.
"""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from statistics import median

from tracelog.plant.facts import RemovalReason
from tracelog.stats.assumed_shape import ScaleGivenShape, scale_given_shape
from tracelog.stats.intervals import Interval
from tracelog.stats.kaplan_meier import KaplanMeier, kaplan_meier
from tracelog.stats.lifetimes import Weibull, fit_weibull
from tracelog.stats.probability_plot import WeibullPlot, weibull_plot
from tracelog.stats.replacement import LEAST_SHAPE, ReplacementSaving, replacement_saving

CONFIDENCE = 0.95
# Under so many removals a position says less than all positions together: common practice, no
# source.
FEW_REMOVALS = 10
# Where nobody has entered costs: an unplanned replacement costs five planned ones. A guess.
GUESSED_COSTS = (1.0, 5.0)
# Where even the most favourable life of the interval saves less than this share, age does not
# pay: a judgement, no source.
LEAST_SAVING = 0.05
# Fewer failures decide nothing: common practice, no source.
FEWEST_FAILURES = 5
# Assumed where nothing has failed: no wear, which leaves the shortest B10 life.
ASSUMED_SHAPE = 1.0
DAYS_A_YEAR = 365.25


class CountedAs(StrEnum):
    """What a life says: that it ended by failing, that it was longer, or nothing."""

    FAILURE = "failure"
    CENSORED = "censored"
    LEFT_OUT = "left out"


class Why(StrEnum):
    """Why a life counts as it does, beside the reasons of removal."""

    GOES_ON = "goes on"
    WORKED_ON = "worked on in the machine"
    COUNT_INCOMPLETE = "strokes missing from its count"
    AGE_UNKNOWN = "age at the first record unknown"
    NO_STROKES = "no strokes yet"


class Verdict(StrEnum):
    """Whether to replace by age."""

    PAYS = "pays"
    DOES_NOT_PAY = "does not pay"
    NOT_SHOWN = "not shown yet"
    NOT_DEARER = "unplanned is not dearer"
    NO_FAILURES = "no failures"
    NOT_FIXED = "shape not fixed"
    NO_LIVES = "no lives"


class IntervalFrom(StrEnum):
    """Where today's interval comes from."""

    SETTING = "setting"
    TOOLS = "expected life of the tools"
    NONE = "none: run to failure"


@dataclass(frozen=True)
class Life:
    """One life of a tool, from new or from one work to the next.

    Attributes:
        serial: of the tool.
        number: which life of the tool, as far as is on record.
        tool_type: None: not entered.
        position: where it was last.
        machine: the machine it was last in, as text.
        started_at: UTC.
        ended_at: UTC; None: it goes on.
        entry_strokes: age at which its records begin; None: not known.
        strokes: age at the end or now; where `counted_as` is not a failure, at least.
        counted_as: what it says.
        why: the reason of removal, or a word of `Why`.
    """

    serial: str
    number: int
    tool_type: str | None
    position: str
    machine: str
    started_at: datetime
    ended_at: datetime | None
    entry_strokes: int | None
    strokes: int
    counted_as: CountedAs
    why: str


def judged(
    entry_strokes: int | None, strokes: int, ended: bool, end_reason: str | None, exact: bool
) -> tuple[CountedAs, str]:
    """What a life says, and why.

    Worn, broken and defect are failures. Whatever else ended it, it was longer. A tool that failed
    with strokes missing from its count failed later than the count says, so that it is censored.

    Args:
        entry_strokes: age at which its records begin; None: not known.
        strokes: its age at the end or now.
        ended: whether it is over.
        end_reason: why it was taken out.
        exact: whether every stroke is counted.
    """
    if entry_strokes is None:
        return CountedAs.LEFT_OUT, Why.AGE_UNKNOWN
    if strokes <= entry_strokes:
        return CountedAs.LEFT_OUT, Why.NO_STROKES
    if end_reason in (RemovalReason.WORN, RemovalReason.BROKEN, RemovalReason.DEFECT):
        if exact:
            return CountedAs.FAILURE, str(end_reason)
        return CountedAs.CENSORED, Why.COUNT_INCOMPLETE
    return CountedAs.CENSORED, end_reason or (Why.WORKED_ON if ended else Why.GOES_ON)


@dataclass(frozen=True)
class LifeFigures:
    """What lives of one kind say together; intervals are of 95 % profile likelihood.

    Attributes:
        failures: how many failed.
        removals: how many came out, for whatever reason.
        censored, left_out: how many, by why.
        fit: the Weibull distribution; None: none can be fitted, and `least` may say something.
        shape, scale, b10: its figures with their intervals; B10: by then 10 % have failed.
        least: where nothing failed, the least that lives can be.
    """

    failures: int
    removals: int
    censored: Mapping[str, int]
    left_out: Mapping[str, int]
    fit: Weibull | None = None
    shape: Interval[float] | None = None
    scale: Interval[float] | None = None
    b10: Interval[float] | None = None
    least: ScaleGivenShape | None = None

    @property
    def lives(self) -> int:
        """How many say anything."""
        return self.failures + sum(self.censored.values())

    @property
    def is_few(self) -> bool:
        """Whether the lives on record are too few to be trusted alone."""
        return self.removals < FEW_REMOVALS


Columns = tuple[list[float], list[bool], list[float]]


def columns_of(lives: Sequence[Life]) -> Columns:
    """Ages, whether failed, and ages at entry of the lives that say something."""
    counting = [one for one in lives if one.counted_as is not CountedAs.LEFT_OUT]
    return (
        [float(one.strokes) for one in counting],
        [one.counted_as is CountedAs.FAILURE for one in counting],
        [float(one.entry_strokes or 0) for one in counting],
    )


def figures_of(lives: Sequence[Life]) -> LifeFigures:
    """Fit lives of one kind: shape, scale and B10 life with their intervals, or what can be said.

    Args:
        lives: of one tool type, and one position if wanted.
    """
    whys = {kind: Counter(one.why for one in lives if one.counted_as is kind) for kind in CountedAs}
    failures = whys[CountedAs.FAILURE].total()
    removals = sum(one.ended_at is not None for one in lives if one.entry_strokes is not None)
    counted = (failures, removals, whys[CountedAs.CENSORED], whys[CountedAs.LEFT_OUT])
    columns = columns_of(lives)
    if not columns[0]:
        return LifeFigures(*counted)
    if not failures:
        ages, failed, entries = columns
        least = scale_given_shape(ages, failed, ASSUMED_SHAPE, entries, confidence=CONFIDENCE)
        return LifeFigures(*counted, least=least)
    try:
        fit = fit_weibull(*columns)
    except ValueError:
        # All failures at the highest age, or all lives begun so late that no shape is best.
        return LifeFigures(*counted)
    if fit.shape < LEAST_SHAPE:
        return LifeFigures(*counted)
    return LifeFigures(
        *counted,
        fit=fit,
        shape=fit.shape_interval(CONFIDENCE),
        scale=fit.scale_interval(CONFIDENCE),
        b10=fit.life(0.10, CONFIDENCE),
    )


def curve_of(lives: Sequence[Life]) -> KaplanMeier | None:
    """Share alive by age; None without a failure."""
    columns = columns_of(lives)
    return kaplan_meier(*columns, confidence=CONFIDENCE) if any(columns[1]) else None


def plot_of(figures: LifeFigures, lives: Sequence[Life]) -> WeibullPlot | None:
    """The lives on Weibull paper; None where nothing could be fitted."""
    if figures.fit is None:
        return None
    return weibull_plot(figures.fit, *columns_of(lives), confidence=CONFIDENCE)


@dataclass(frozen=True)
class Costs:
    """Of one replacement, planned and unplanned; a guess where nobody entered them."""

    planned: float
    unplanned: float
    is_guess: bool


def costs_of(planned: float | None, unplanned: float | None) -> Costs:
    """The costs entered, or the guess where one of them is missing."""
    if planned is None or unplanned is None:
        return Costs(*GUESSED_COSTS, is_guess=True)
    return Costs(planned, unplanned, is_guess=False)


def interval_today(
    setting: int | None, tool_lives: Sequence[int]
) -> tuple[float | None, IntervalFrom]:
    """The strokes at which tools are replaced today, and where that comes from.

    Args:
        setting: as entered for the tool type.
        tool_lives: expected lives entered for its tools; their median counts.
    """
    if setting is not None:
        return float(setting), IntervalFrom.SETTING
    if tool_lives:
        return float(median(tool_lives)), IntervalFrom.TOOLS
    return None, IntervalFrom.NONE


@dataclass(frozen=True)
class Replacing:
    """Whether to replace by age, when, and what that saves.

    Attributes:
        verdict: the answer.
        costs: as entered or guessed.
        interval_now: in strokes; None: run to failure.
        interval_from: where that comes from.
        strokes_a_year: made by all tools of the kind at present use.
        saving: of what is advised against today's interval, per stroke, and the best interval;
            None: nothing fitted.
    """

    verdict: Verdict
    costs: Costs
    interval_now: float | None
    interval_from: IntervalFrom
    strokes_a_year: float
    saving: ReplacementSaving | None


def decide(
    figures: LifeFigures,
    costs: Costs,
    today: tuple[float | None, IntervalFrom],
    strokes_a_day: float,
) -> Replacing:
    """Whether replacing by age pays.

    It pays only where the whole interval of the shape lies above 1: only then do failures surely
    become more frequent with age. It does not where even the most favourable life that the records
    leave open would save little. Between the two the records do not show it yet.

    Args:
        figures: of the lives.
        costs: of a replacement.
        today: interval in use, and where it comes from.
        strokes_a_day: made by all tools of the kind.
    """
    now = math.inf if today[0] is None else today[0]
    saving = None
    if figures.fit is not None:
        paid = (figures.fit, costs.planned, costs.unplanned, now)
        saving = replacement_saving(*paid, confidence=CONFIDENCE)
        if _verdict(figures, costs, saving) is Verdict.DOES_NOT_PAY:
            saving = replacement_saving(*paid, math.inf, confidence=CONFIDENCE)
    verdict = _verdict(figures, costs, saving)
    return Replacing(verdict, costs, *today, strokes_a_day * DAYS_A_YEAR, saving)


def _verdict(figures: LifeFigures, costs: Costs, saving: ReplacementSaving | None) -> Verdict:
    if not figures.lives:
        return Verdict.NO_LIVES
    if not figures.failures:
        return Verdict.NO_FAILURES
    if saving is None or figures.shape is None:
        return Verdict.NOT_FIXED
    if costs.unplanned <= costs.planned:
        return Verdict.NOT_DEARER
    enough = figures.failures >= FEWEST_FAILURES
    if enough and figures.shape.low > 1 and saving.best.worthwhile:
        return Verdict.PAYS
    if enough and saving.most_share < LEAST_SAVING:
        return Verdict.DOES_NOT_PAY
    return Verdict.NOT_SHOWN
