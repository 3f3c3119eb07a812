"""The documented answers about rows of cans, the same for command, API and file."""

from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.cases.sequence.answering import Answer
from tracelog.cases.sequence.queries import CheckView
from tracelog.cases.sequence.wording import headline, next_words, points_to, slip_words
from tracelog.reference import caution
from tracelog.stats.repeat_scan import Scan
from tracelog.stats.repeats import Repeat
from tracelog.web.sheets import Sheet

COLUMNS = (
    *("check", "line", "defect", "taken_after", "taken_at", "cans", "seen", "bad", "note"),
    *("written_at", "by"),
)


def row_answer(answer: Answer) -> dict[str, Any]:
    """What a row of cans says; places of cans are counted from 1."""
    weighed, step = answer.weighed, answer.step
    return {
        "line": answer.line,
        "taken_after": answer.taken_after,
        "cans": answer.cans,
        "seen": weighed.seen,
        "bad": weighed.bad,
        "sentence": headline(answer),
        "chance": weighed.chance,
        "every_can": weighed.alike,
        "numbers": [
            {
                "every": one.every,
                "probability": one.probability,
                "points_to": points_to(answer, one),
                "parts": [
                    {
                        "station": each.part.station,
                        "part": each.part.part,
                        "count": each.part.count,
                        "can_show": each.can_show,
                    }
                    for each in one.candidates
                ],
            }
            for one in answer.numbers
        ],
        "repeats": [_repeat(one) for one in weighed.repeats],
        "slip": None
        if weighed.slip is None
        else {
            "behind_can": weighed.slip.after,
            "is_lost": weighed.slip.is_lost,
            "probability": weighed.slip.probability,
            "sentence": slip_words(answer),
        },
        "by_chance": _scan(weighed.scan),
        "by_chance_known": _scan(weighed.scan_known),
        "next": {
            "kind": step.kind.value,
            "cans": step.cans,
            "first_can": step.first or None,
            "bits": step.bits,
            "sentence": next_words(answer),
        },
        "caution": caution("explanation").text,
    }


def _repeat(one: Repeat) -> dict[str, Any]:
    return {
        "every": one.every,
        "places": [place + 1 for place in one.places],
        "probability": one.probability,
        "bad": one.bad,
        "seen": one.seen,
    }


def _scan(scan: Scan | None) -> dict[str, Any] | None:
    if scan is None:
        return None
    return {
        "every": scan.every,
        "place": scan.place + 1,
        "chance": scan.chance,
        "is_exact": scan.is_exact,
    }


def check_answer(one: CheckView) -> dict[str, Any]:
    """A check as it was kept."""
    return {
        "id": str(one.id),
        "line": one.line,
        "defect": one.defect,
        "taken_after": one.taken_after,
        "taken_at": one.taken_at,
        "cans": one.cans,
        "seen": one.seen,
        "bad": one.bad,
        "note": one.note,
        "written_at": one.written_at,
        "by": one.by,
    }


def checks_sheet(found: Sequence[CheckView], zone: ZoneInfo) -> Sheet:
    """Checks as a table for files, one row for each."""
    rows = tuple(
        tuple((check_answer(one) | {"check": str(one.id)})[name] for name in COLUMNS)
        for one in found
    )
    return Sheet("Sequence checks", COLUMNS, rows, zone)
