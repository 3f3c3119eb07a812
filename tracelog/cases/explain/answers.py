"""Explanations as commands and API give them, and as a table."""

from typing import Any
from zoneinfo import ZoneInfo

from tracelog import reference
from tracelog.cases.explain.explaining import Explained
from tracelog.cases.explain.inside import Inside
from tracelog.cases.explain.ranking import Likely
from tracelog.cases.explain.wording import moment, reason, title
from tracelog.language import _
from tracelog.web.sheets import Sheet

# What is less likely than this is told by none of the doors.
LEAST_PROBABILITY = 0.001
COLUMNS = (
    *("rank", "kind", "name", "position", "probability", "since", "rate_ratio"),
    *("rate_ratio_low", "rate_ratio_high", "cans", "strokes", "reason"),
)


def shown(answer: Explained) -> list[tuple[Likely, Inside]]:
    """The causes that are told: those of some probability."""
    return [pair for pair in answer.likely if pair[0].probability >= LEAST_PROBABILITY]


def explain_answer(answer: Explained, zone: ZoneInfo) -> dict[str, Any]:
    """The documented object."""
    whole = answer.whole
    beside = answer.beside
    return {
        "defect": answer.asked.defect,
        "from": answer.asked.start,
        "to": answer.asked.end,
        "cans": whole.cans,
        "strokes": whole.strokes,
        "occurrences": whole.occurrences,
        "cans_without_machine": whole.unsettled,
        "causes_weighed": answer.causes,
        "learned_from_before": answer.has_history,
        "no_special_cause": round(answer.nothing, 6),
        "explanations": [
            {"rank": rank, **_one(answer, *pair, zone)}
            for rank, pair in enumerate(shown(answer), start=1)
        ],
        "beside_the_first": None if beside is None else _one(answer, *beside, zone),
        "would_tell_apart": [
            {
                "what": one.sentence,
                "days": one.days,
                "bits": round(one.bits, 4),
                "expected_if_first": round(one.expected_first, 2),
                "expected_if_second": round(one.expected_second, 2),
            }
            for one in answer.apart
        ],
        "caution": caution(),
    }


def caution() -> str:
    """What an explanation is not."""
    return _(reference.caution("explanation").text)


def _one(answer: Explained, one: Likely, inside: Inside, zone: ZoneInfo) -> dict[str, Any]:
    whole = answer.whole
    return {
        "kind": one.cause.kind.value,
        "name": one.cause.name,
        "position": one.cause.place,
        "since": moment(one.since),
        "since_low": moment(one.since_low),
        "since_high": moment(one.since_high),
        "rate_ratio": round(one.ratio, 3),
        "rate_ratio_low": round(one.ratio_low, 3),
        "rate_ratio_high": round(one.ratio_high, 3),
        "probability": round(one.probability, 6),
        "cans": inside.cans,
        "strokes": inside.strokes,
        "occurrences": inside.occurrences,
        "cans_outside": whole.cans - inside.cans,
        "strokes_outside": whole.strokes - inside.strokes,
        "reason": reason(one, inside, answer, zone),
    }


def explain_sheet(answer: Explained, zone: ZoneInfo) -> Sheet:
    """The table to be saved."""
    rows = []
    for rank, pair in enumerate(shown(answer), start=1):
        told = {"rank": rank, **_one(answer, *pair, zone)}
        rows.append(tuple(told[name] for name in COLUMNS))
    return Sheet(_("explanations"), COLUMNS, tuple(rows), zone)


def explain_rows(answer: Explained, zone: ZoneInfo) -> list[list[str]]:
    """Rows for a terminal: rank, probability, what, times the usual, since, cans."""
    rows = []
    for rank, (one, inside) in enumerate(shown(answer), start=1):
        told = _one(answer, one, inside, zone)
        rows.append(
            [
                str(rank),
                f"{one.probability:.1%}",
                title(one, zone),
                f"{one.ratio:.3g} ({one.ratio_low:.2g} to {one.ratio_high:.2g})",
                "" if one.since is None else f"{told['since']:%Y-%m-%d %H:%MZ}",
                f"{inside.cans:,}",
                f"{inside.strokes:,}",
            ]
        )
    return rows
