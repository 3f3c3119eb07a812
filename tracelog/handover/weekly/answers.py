"""The documented answer about a week, and its table."""

from typing import Any
from zoneinfo import ZoneInfo

from tracelog.handover.answers import moved_answer
from tracelog.handover.weekly.queries import WeekPage
from tracelog.json_text import finite
from tracelog.language import _
from tracelog.web.sheets import Sheet


def week_answer(page: WeekPage) -> dict[str, Any]:
    """A week: what changed most by evidence, totals by line, and what moved; instants in UTC."""
    return {
        "monday": page.week.monday.isoformat(),
        "started_at": page.week.start,
        "ended_at": page.week.end,
        "until": page.week.until,
        "counted_until": page.counted_until,
        "compared": page.compared,
        "changed": [
            {
                "kind": one.kind,
                "place": one.place,
                "defect": one.defect,
                "sentence": one.sentence,
                "count": one.count,
                "usual": finite(one.usual),
                "adjusted_p": one.adjusted_p,
                "evidence": finite(one.evidence),
                "link": one.link,
            }
            for one in page.items
        ],
        "lines": [
            {
                "line": one.line,
                "strokes": one.strokes,
                "usual_strokes": finite(one.usual_strokes),
                "entries": one.entries,
                "cans": one.cans,
                "spoilage_per_million": finite(one.spoilage),
                "usual_spoilage_per_million": finite(one.usual_spoilage),
            }
            for one in page.lines
        ],
        **moved_answer(page.moved),
        "services_done": len(page.services),
        "services_overdue": page.overdue,
        "counters_silent": [
            {"machine": machine, "last_read_at": at} for machine, at in page.silent
        ],
        "counter_questions": len(page.questions),
    }


def week_sheet(page: WeekPage, zone: ZoneInfo) -> Sheet:
    """What changed and the totals by line as one table."""
    columns = (
        *(_("what"), _("place"), _("defect"), _("count"), _("usual"), _("adjusted p")),
        *(_("evidence"), _("in words")),
    )
    changed = [
        (
            *(one.kind, one.place, one.defect, one.count, one.usual, one.adjusted_p),
            *(one.evidence, one.sentence),
        )
        for one in page.items
    ]
    totals = [
        row
        for one in page.lines
        for row in (
            (_("strokes in all"), one.name, None, one.strokes, one.usual_strokes, *(None,) * 3),
            (_("cans lost in all"), one.name, None, one.cans, None, *(None,) * 3),
            (
                *(_("cans lost per million strokes"), one.name, None),
                *(one.spoilage, one.usual_spoilage, *(None,) * 3),
            ),
        )
    ]
    return Sheet(_("What changed most in the week"), columns, (*changed, *totals), zone)
