"""The documented answer of the dome-number check, the same for command, API and file."""

from typing import Any
from zoneinfo import ZoneInfo

from tracelog.cases.domes.checking import DomesAnswer
from tracelog.cases.domes.wording import headline, next_words, notes
from tracelog.reference import caution
from tracelog.web.sheets import Sheet

COLUMNS = ("machine", "code", "cans", "strokes", "share", "expected")


def domes_answer(answer: DomesAnswer) -> dict[str, Any]:
    """What a handful of bad cans suggests."""
    return {
        "cans": answer.spread.cans,
        "suggests": answer.spread.suggests.value,
        "machine": answer.striking.machine,
        "most": answer.spread.most,
        "by_chance": answer.spread.by_chance,
        "sentence": headline(answer),
        "next": next_words(answer),
        "further_cans": answer.further,
        "made_from": answer.made_from,
        "made_to": answer.made_to,
        "basis": answer.basis,
        "weighed_by_strokes": answer.is_weighed,
        "unread": [str(one) for one in answer.unread],
        "notes": notes(answer),
        "machines": [
            {
                "machine": one.machine,
                "code": str(one.code),
                "cans": one.cans,
                "strokes": one.strokes,
                "share": one.share,
                "expected": one.expected,
            }
            for one in answer.machines
        ],
        "caution": caution("explanation").text,
    }


def domes_sheet(answer: DomesAnswer, zone: ZoneInfo) -> Sheet:
    """The machines as a table for files."""
    rows = tuple(tuple(one[name] for name in COLUMNS) for one in domes_answer(answer)["machines"])
    return Sheet("Dome numbers", COLUMNS, rows, zone)
