"""What the figures of lives mean, in plain sentences; the same at every door."""

import math

from tracelog.language import _, figure
from tracelog.plant.facts import RemovalReason
from tracelog.service.lives_rules import (
    FEWEST_FAILURES,
    IntervalFrom,
    LifeFigures,
    Replacing,
    Verdict,
    Why,
)
from tracelog.service.machine_lives import MachineLives
from tracelog.service.machine_lives_rules import Trend
from tracelog.stats.intervals import Interval
from tracelog.web.numbers import rate, share, short_count


def why_words(why: str) -> str:
    """Why a life counts as it does, for a page."""
    known: dict[str, str] = {
        RemovalReason.WORN: _("worn"),
        RemovalReason.BROKEN: _("broken"),
        RemovalReason.DEFECT: _("made a defect"),
        RemovalReason.PLANNED: _("taken out as planned"),
        RemovalReason.MOVED: _("moved and never refitted"),
        RemovalReason.UNKNOWN: _("taken out, reason unknown"),
        Why.GOES_ON: _("goes on"),
        Why.WORKED_ON: _("worked on in the machine"),
        Why.COUNT_INCOMPLETE: _("failed, strokes missing from its count"),
        Why.AGE_UNKNOWN: _("age unknown"),
        Why.NO_STROKES: _("no strokes yet"),
    }
    return known.get(why, why)


def interval_words(interval: Interval[float]) -> str:
    """A figure with its interval: ``2.4 (1.9 to 3.1)``."""
    return _(
        "%(value)s (%(low)s to %(high)s)",
        value=rate(interval.estimate),
        low=rate(interval.low),
        high=rate(interval.high),
    )


def wear_sentence(figures: LifeFigures) -> str:
    """What the shape says of wear; blank where no shape could be fitted."""
    shape = figures.shape
    if shape is None:
        return ""
    known = interval_words(shape)
    if shape.low > 1:
        return _("They wear: the older one is, the sooner it fails; shape %(shape)s.", shape=known)
    if shape.high < 1:
        return _("The young ones fail more often than the old; shape %(shape)s.", shape=known)
    return _("They may well fail as often young as old; shape %(shape)s.", shape=known)


def verdict_sentence(figures: LifeFigures, replacing: Replacing) -> str:
    """Whether to replace by age, and why."""
    saving, verdict = replacing.saving, replacing.verdict
    if verdict is Verdict.PAYS and saving is not None:
        return _(
            "Replace at about %(strokes)s strokes: in the long run that costs %(share)s less than"
            " letting every one run until it fails.",
            strokes=short_count(saving.best.interval),
            share=share(saving.best.saving),
        )
    if verdict is Verdict.DOES_NOT_PAY:
        if figures.shape is not None and figures.shape.high < 1:
            return _(
                "Replacing by age does not pay: the young ones fail more often than the old. Let"
                " them run, and look at how they are made ready and fitted."
            )
        return _(
            "Replacing by age does not pay: an old one fails hardly sooner than a young one. Let"
            " them run, and replace by condition."
        )
    if verdict is Verdict.NOT_DEARER:
        return _(
            "Replacing by age does not pay: by the costs entered an unplanned replacement is no"
            " dearer than a planned one. Let them run, and replace by condition."
        )
    return _undecided(figures, verdict)


def _undecided(figures: LifeFigures, verdict: Verdict) -> str:
    if verdict is Verdict.NOT_SHOWN and figures.failures < FEWEST_FAILURES:
        return _(
            "The records do not show yet whether replacing by age pays: only %(failures)d failed,"
            " and fewer than %(fewest)d decide nothing.",
            failures=figures.failures,
            fewest=FEWEST_FAILURES,
        )
    if verdict is Verdict.NOT_SHOWN:
        return _(
            "The records do not show yet that replacing by age pays: it may be that they fail as"
            " often young as old. More lives narrow it down."
        )
    if verdict is Verdict.NO_FAILURES and figures.least is not None:
        return _(
            "None of %(lives)d has failed. If age does not matter they last %(mean)s strokes or"
            " more on average, and one in ten fails after %(tenth)s or more (95 %% sure). When to"
            " replace them the records do not show yet.",
            lives=figures.lives,
            mean=short_count(figures.least.low),
            tenth=short_count(figures.least.life_low(0.10)),
        )
    if verdict is Verdict.NOT_FIXED:
        return _(
            "%(failures)d failed, but at ages that fix no life yet. When to replace them the"
            " records do not show.",
            failures=figures.failures,
        )
    return _("No life is on record whose age is known.")


def costs_sentence(replacing: Replacing) -> str:
    """Where the costs come from."""
    costs = replacing.costs
    ratio = figure(costs.unplanned / costs.planned, ".3g")
    if costs.is_guess:
        return _(
            "Costs are a guess, no source: one unplanned replacement costs as much as %(ratio)s"
            " planned ones. Enter your own.",
            ratio=ratio,
        )
    return _(
        "As entered, one unplanned replacement costs as much as %(ratio)s planned ones.",
        ratio=ratio,
    )


def _today(replacing: Replacing) -> str:
    strokes = short_count(replacing.interval_now)
    if replacing.interval_from is IntervalFrom.SETTING:
        return _("Against today's %(strokes)s strokes", strokes=strokes)
    if replacing.interval_from is IntervalFrom.TOOLS:
        return _("Against the %(strokes)s strokes entered for the tools", strokes=strokes)
    return _("Against letting every one run until it fails")


def saving_sentence(replacing: Replacing) -> str:
    """What the advice saves against today, a year and per stroke; blank without advice."""
    saving = replacing.saving
    if saving is None or replacing.verdict not in (Verdict.PAYS, Verdict.DOES_NOT_PAY):
        return ""
    if math.isinf(saving.interval_then) and replacing.interval_now is None:
        return ""  # as today
    a_year = replacing.strokes_a_year
    words = {
        "today": _today(replacing),
        "year": rate(saving.saving * a_year),
        "low": rate(saving.saving_low * a_year),
        "high": rate(saving.saving_high * a_year),
        "million": rate(saving.saving * 1e6),
    }
    if replacing.costs.is_guess:
        told = _(
            "%(today)s that saves the cost of %(year)s planned replacements a year at present use"
            " (%(low)s to %(high)s): %(million)s per million strokes.",
            **words,
        )
    else:
        told = _(
            "%(today)s that saves %(year)s a year at present use (%(low)s to %(high)s), in the unit"
            " of the costs: %(million)s per million strokes.",
            **words,
        )
    if saving.saving_low < 0:
        told += " " + _("The records leave open that it saves nothing.")
    return told


def interval_sentence(replacing: Replacing) -> str:
    """Between which ends the best interval lies; blank where it is not advised."""
    saving = replacing.saving
    if saving is None or replacing.verdict is not Verdict.PAYS:
        return ""
    return _(
        "The best interval lies between %(low)s and %(high)s strokes; near it the cost changes"
        " little, so that a service at hand may decide.",
        low=short_count(saving.interval_low),
        high=short_count(saving.interval_high),
    )


def overhaul_sentence(lives: MachineLives) -> str:
    """Whether machines get worse with strokes since their overhaul."""
    runs = lives.runs
    if lives.overhaul is None:
        return _("No levels of service are entered, so that nobody knows what an overhaul is.")
    if runs.trend is Trend.TOO_FEW or runs.law is None or runs.shape is None:
        return _(
            "%(failures)d unplanned services in %(runs)d runs since an overhaul: too few to tell"
            " whether it gets worse with strokes.",
            failures=runs.failures,
            runs=runs.runs,
        )
    known = {
        "failures": runs.failures,
        "runs": runs.runs,
        "shape": interval_words(runs.shape),
        "first": rate(runs.thirds[0] if runs.thirds else None),
        "last": rate(runs.thirds[1] if runs.thirds else None),
    }
    if runs.trend is Trend.WORSE:
        return _(
            "It gets worse with strokes since the overhaul: from %(first)s unplanned services per"
            " 100 million strokes in the first third of a run to %(last)s in the last"
            " (%(failures)d in %(runs)d runs; shape %(shape)s).",
            **known,
        )
    if runs.trend is Trend.BETTER:
        return _(
            "It gets better with strokes since the overhaul: from %(first)s unplanned services per"
            " 100 million strokes in the first third of a run to %(last)s in the last"
            " (%(failures)d in %(runs)d runs; shape %(shape)s). Look at what overhauls leave"
            " behind.",
            **known,
        )
    return _(
        "It is not shown that it gets worse with strokes since the overhaul: %(failures)d unplanned"
        " services in %(runs)d runs, shape %(shape)s, where 1 means no change.",
        **known,
    )


def gaps_sentence(lives: MachineLives) -> str:
    """How many strokes lie between unplanned services."""
    gaps = lives.gaps
    if gaps.mean is None:
        return _("No strokes are on record yet.")
    if not gaps.failures:
        return _(
            "No unplanned service is on record: a machine makes %(low)s strokes or more between"
            " two of them (97.5 %% sure).",
            low=short_count(gaps.mean.low),
        )
    told = _(
        "A machine makes %(mean)s strokes between unplanned services on average (%(low)s to"
        " %(high)s; %(failures)d on record).",
        mean=short_count(gaps.mean.mean),
        low=short_count(gaps.mean.low),
        high=short_count(gaps.mean.high),
        failures=gaps.failures,
    )
    if gaps.shape is not None and gaps.shape.high < 1:
        told += " " + _(
            "They come in clusters, one soon after the other: shape of the gaps %(shape)s.",
            shape=interval_words(gaps.shape),
        )
    return told
