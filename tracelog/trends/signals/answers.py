"""The documented answers about signals, the same for command, API and file."""

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.language import _
from tracelog.trends.signals.queries import EpochView, Signals, SignalView
from tracelog.trends.signals.rules import RECENT_DAYS
from tracelog.web.sheets import Sheet

COLUMNS = (
    *("machine", "defect", "kind", "raised_at", "since", "since_low", "since_high", "ended_at"),
    *("open", "rate_per_million", "baseline_per_million", "occurrences", "strokes", "ratio"),
    *("evidence", "threshold", "rule", "decision", "decided_by", "decided_at", "reason"),
)


def lately(signals: Signals, since: datetime | None = None) -> Signals:
    """Those that are on, or ended in the last four weeks (or since another instant)."""
    first = since or signals.as_of - timedelta(days=RECENT_DAYS)
    chosen = tuple(one for one in signals.signals if one.ended_at is None or one.ended_at >= first)
    return Signals(chosen, signals.epoch, signals.as_of)


def signals_answer(signals: Signals) -> dict[str, Any]:
    """Signals as JSON-ready values; rates are per million strokes."""
    return {
        "as_of": signals.as_of,
        "judged_by": None if signals.epoch is None else _epoch(signals.epoch),
        "signals": [signal_answer(one) for one in signals.signals],
    }


def _epoch(epoch: EpochView) -> dict[str, Any]:
    return {
        "since": epoch.starts_at,
        "false_signals_a_week": epoch.false_signals_a_week,
        "series": epoch.series,
        "thresholds": {kind.value: limit for kind, limit in sorted(epoch.thresholds.items())},
    }


def signal_answer(one: SignalView) -> dict[str, Any]:
    """One signal; `defect` is null where all kinds are watched together."""
    decision = one.decision
    return {
        "machine": one.machine.text,
        "defect": one.defect or None,
        "kind": one.kind.value,
        "raised_at": one.raised_at,
        "since": one.since,
        "since_low": one.since_low,
        "since_high": one.since_high,
        "ended_at": one.ended_at,
        "rule": one.rule,
        "rate": one.rate_per_million,
        "baseline": one.baseline_per_million,
        "occurrences": one.count,
        "strokes": one.strokes,
        "evidence": one.score,
        "threshold": one.threshold,
        "open": one.is_open,
        "decision": None
        if decision is None
        else {
            "decision": decision.decision.value,
            "reason": decision.reason or None,
            "decided_at": decision.decided_at,
            "decided_by": decision.decided_by,
            "case": decision.case_id,
        },
    }


def signals_sheet(signals: Signals, zone: ZoneInfo) -> Sheet:
    """Signals as a table for files."""
    rows = []
    for one in signals.signals:
        decided = one.decision
        rows.append(
            (
                *(one.machine.text, one.defect, one.kind.value, one.raised_at, one.since),
                *(one.since_low, one.since_high, one.ended_at, one.is_open),
                *(one.rate_per_million, one.baseline_per_million, one.count, one.strokes),
                *(one.ratio, one.score, one.threshold, one.rule),
                *(
                    (None, None, None, None)
                    if decided is None
                    else (
                        *(decided.decision.value, decided.decided_by),
                        *(decided.decided_at, decided.reason),
                    )
                ),
            )
        )
    return Sheet(_("signals"), COLUMNS, tuple(rows), zone)
