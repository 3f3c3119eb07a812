"""What is open about counters, in sentences for people."""

from datetime import datetime
from zoneinfo import ZoneInfo

from tracelog.language import _
from tracelog.strokes.facts import Verdict
from tracelog.strokes.manual_reading import Expected, Later
from tracelog.strokes.question_rules import QuestionKind
from tracelog.strokes.questions import JumpQuestion
from tracelog.strokes.settlements import Settlement
from tracelog.web.numbers import count, instant, span


def jump_heading(kind: QuestionKind) -> str:
    """What is odd, in a few words."""
    return {
        QuestionKind.BACKWARD_JUMP: _("the counter fell"),
        QuestionKind.IMPROBABLE_RATE: _("the counter rose too fast"),
        QuestionKind.ABOVE_LAST_FIGURE: _("a figure that the counter cannot show"),
        QuestionKind.UNLIKE_EVENT: _("a figure unlike the counter event"),
    }[kind]


def jump_happened(question: JumpQuestion, zone: ZoneInfo) -> str:
    """What happened."""
    figures = question.figures
    values = {
        "before": count(figures.from_strokes),
        "after": count(figures.to_strokes),
        "start": instant(figures.from_at, zone),
        "end": instant(figures.to_at, zone),
        "length": span(figures.to_at - figures.from_at),
    }
    if question.kind is QuestionKind.UNLIKE_EVENT:
        return _(
            "A counter event left it at %(before)s at %(end)s, and read at that very instant it"
            " showed %(after)s.",
            **values,
        )
    shown = _(
        "It showed %(before)s at %(start)s and %(after)s at %(end)s, %(length)s later.", **values
    )
    if question.kind is QuestionKind.IMPROBABLE_RATE:
        return shown + " " + _rise(question)
    if question.kind is QuestionKind.ABOVE_LAST_FIGURE:
        last = count(question.machine.counter_max)
        return shown + " " + _("Its last figure before 0 is %(last)s.", last=last)
    return shown + " " + _("Nobody has said why.")


def _rise(question: JumpQuestion) -> str:
    figures, rated = question.figures, question.machine.rated_spm
    per_minute = count(figures.rise / figures.minutes)
    if rated is None:
        return _("That is %(per_minute)s strokes a minute.", per_minute=per_minute)
    return _(
        "That is %(per_minute)s strokes a minute; the machine is rated at %(rated)s.",
        per_minute=per_minute,
        rated=count(rated),
    )


def jump_consequence(question: JumpQuestion) -> str:
    """What follows from it as long as nobody settles it."""
    if question.kind is QuestionKind.UNLIKE_EVENT:
        return _("Nobody knows which is right; what follows is counted from the reading on.")
    if question.estimate is None:
        return _("The strokes in between are counted neither way.")
    return _(
        "The strokes in between are counted neither way: about %(strokes)s at the machine's pace"
        " before. Its services and tools seem younger by as much.",
        strokes=count(question.estimate),
    )


def decision(settlement: Settlement) -> str:
    """What was decided."""
    if settlement.verdict is Verdict.MADE:
        if not settlement.strokes:
            return _("no strokes were made")
        return _("%(strokes)s strokes were made", strokes=count(settlement.strokes))
    if settlement.verdict is Verdict.MISREAD:
        return _("the reading is wrong")
    return _("opened again")


def expected_figures(expected: Expected) -> str:
    """What a counter should show: ``about 12,345,678 to 12,390,000``."""
    values = {"low": count(expected.low), "high": count(expected.high)}
    if expected.rolled_to is None:
        return _("about %(low)s to %(high)s", **values)
    values |= {"last": count(expected.counter_max), "rolled": count(expected.rolled_to)}
    if expected.counter_max is not None and expected.low > expected.counter_max:
        values["low"] = count(expected.low - expected.counter_max - 1)
        return _("about %(low)s to %(rolled)s, having rolled over at %(last)s", **values)
    return _(
        "about %(low)s to %(last)s or, having rolled over there to 0, up to %(rolled)s", **values
    )


def doubt_sentence(doubt: Expected | Later, strokes: int, read_at: datetime, zone: ZoneInfo) -> str:
    """Why a figure is asked about, and what to do."""
    if isinstance(doubt, Expected):
        told = _(
            "The counter showed %(figure)s at %(moment)s, %(length)s before; at its usual pace it"
            " should show %(expected)s.",
            figure=count(doubt.since_strokes),
            moment=instant(doubt.since_at, zone),
            length=span(read_at - doubt.since_at),
            expected=expected_figures(doubt),
        )
    else:
        told = _(
            "The counter showed %(figure)s at %(moment)s, %(length)s later, which does not go with"
            " it.",
            figure=count(doubt.strokes),
            moment=instant(doubt.read_at, zone),
            length=span(doubt.read_at - read_at),
        )
    again = _("Read it again; if it really shows %(strokes)s, confirm.", strokes=count(strokes))
    return f"{told} {again}"
