"""When and on which line a can may have been made: from time, pallet and coil to intervals."""

import re
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import NoReturn
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.errors import NotFound, TracelogError
from tracelog.instants import EARLIEST
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode
from tracelog.plant.queries import Directory, PlantView, directory
from tracelog.plant.stays import PalletStay, coil_stays
from tracelog.trace.candidates import Opening
from tracelog.trace.rules import CUP_CONVEYOR, Made, made_before_pallet, narrowed
from tracelog.trace.transit import Way
from tracelog.trace.transit_learning import central
from tracelog.trace.transit_queries import ways_to

# A can is taken to be made in the interval that holds so much of what the way makes possible.
_SHARE = 0.99
_MINUTE = timedelta(minutes=1)
_CODER = "ink-jet-coder"
_TIME_CODE = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})(?:[ T]([0-9]{1,2})(?::?([0-9]{2})(?::?([0-9]{2}))?)?)?", re.ASCII
)


@dataclass(frozen=True)
class Question:
    """What is known of a can: its code, and when it was made or where it lay.

    Attributes:
        code: as read; None: nothing could be read.
        at: when it was made.
        pallet, coil: on which it lay, of which it was made.
        seen_at, found_at: when and at which station it was found.
        time_code: what the coder wrote on it, as `read_time_code` reads it.
        is_doubted: the reader was unsure of the code.
        defect: what is wrong with it: what each machine made of it lately counts too.
    """

    code: DomeCode | None = None
    at: datetime | None = None
    pallet: str | None = None
    coil: str | None = None
    seen_at: datetime | None = None
    found_at: str | None = None
    time_code: tuple[datetime, datetime] | None = None
    is_doubted: bool = False
    defect: str | None = None


def read_certainty(text: str) -> bool:
    """Whether a reader doubts: ``unsure`` does, ``sure`` does not.

    Raises:
        ValueError: neither.
    """
    if text not in ("sure", "unsure"):
        raise ValueError(_("'%(text)s' is not known; write sure or unsure", text=text[:40]))
    return text == "unsure"


def read_time_code(text: str, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """The time that a coder wrote on a can, as exact as it is: a day, an hour, a minute, a second.

    Args:
        text: such as ``2026-05-01``, ``2026-05-01 14``, ``2026-05-01 14:20``; plant time. Where
            the clock shows it twice, both are meant.
        zone: the plant's.

    Returns:
        First instant, and the one after the last; UTC.

    Raises:
        ValueError: not such a text, with what would be right.
    """
    found = _TIME_CODE.fullmatch(text.strip())
    wrong = _(
        "'%(text)s' is not a time code; write the day and as much of the time as the can"
        " says, such as 2026-05-01 14:20 or 2026-05-01 14",
        text=text[:40],
    )
    if found is None:
        raise ValueError(wrong)
    day, *rest = found.groups()
    said = [int(one) for one in rest if one is not None]
    try:
        hour, minute, second = [*said, 0, 0, 0][:3]
        local = datetime.fromisoformat(day).replace(hour=hour, minute=minute, second=second)
    except ValueError:
        raise ValueError(wrong) from None
    lengths = (timedelta(days=1), timedelta(hours=1), _MINUTE, timedelta(seconds=1))
    after = local + lengths[len(said)]
    start = min(local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    end = max(after.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    return start, end


def openings(
    session: Session,
    question: Question,
    pallet: PalletStay | None,
    plant: PlantView,
    as_of: datetime,
) -> list[Opening]:
    """When and on which line the can may have been made, as far as all that is known says.

    Raises:
        NotFound: the coil never ran.
        TracelogError: what is known contradicts itself.
    """
    found = _from_times(session, question, pallet, plant, as_of)
    if not question.coil:
        if found:
            return found
        made = Made(as_of, as_of, _("no time given: the present"))
        return [Opening(made, pallet.line_id if pallet else None, is_timed=False)]
    return _from_coil(session, question, found, as_of)


def _from_times(
    session: Session,
    question: Question,
    pallet: PalletStay | None,
    plant: PlantView,
    as_of: datetime,
) -> list[Opening]:
    """One opening for each line on which time, pallet, time code and finding agree."""
    made = Made(question.at, question.at, _("the time given")) if question.at else None
    if pallet is not None:
        filled = made_before_pallet(pallet.started_at, pallet.ended_at, plant.transit_minutes)
        made = narrowed(made, filled) if made else filled
        if made is None:
            raise TracelogError(_("time and pallet do not go together: no can fits both"), "at")
    line_id = pallet.line_id if pallet else None
    if question.seen_at is None and question.time_code is None:
        return [Opening(made, line_id)] if made else []
    lines = [line_id] if line_id else list(directory(session).lines.values())
    known = [
        (ways_to(session, plant, lines, station, as_of), first, last, said)
        for station, first, last, said in _seen_at_stations(question)
    ]
    found = []
    for line in lines:
        there = [(each[line], first, last, said) for each, first, last, said in known]
        opening = _from_finding(there, line, made)
        found += [opening] if opening else []
    if not found:
        raise TracelogError(
            _("the times do not go together: no can fits all of them"),
            "seen_at" if question.seen_at else "time_code",
        )
    return found


_Seen = tuple[Way, datetime, datetime, str]


def _seen_at_stations(
    question: Question,
) -> list[tuple[str | None, datetime, datetime, str]]:
    """Where the can certainly was between two instants, and what says so."""
    stations: list[tuple[str | None, datetime, datetime, str]] = []
    if question.time_code is not None:
        stations.append((_CODER, *question.time_code, _("the time code on the can")))
    if question.seen_at is not None:
        moment = question.seen_at
        stations.append((question.found_at, moment, moment, _("the time found")))
    return stations


def _from_finding(
    stations: Sequence[_Seen], line_id: uuid.UUID, made: Made | None
) -> Opening | None:
    """What finding and time code say of a can of one line; None: they contradict each other."""
    for way, first, last, said in stations:
        shortest, longest = central(way, _SHARE)
        basis = _("%(said)s less the way to there, from %(way)s", said=said, way=way.basis)
        there = Made(first - longest * _MINUTE, last - shortest * _MINUTE, basis)
        made = narrowed(made, there) if made else there
        if made is None:
            return None
    return Opening(made, line_id, stations[0][:3]) if made else None


def _from_coil(
    session: Session, question: Question, times: Sequence[Opening], as_of: datetime
) -> list[Opening]:
    """The runs of the coil, each narrowed to what the times say."""
    runs = coil_stays(session, EARLIEST, as_of, coil=question.coil, as_of=as_of)
    if not runs:
        raise NotFound(_("there is no run of coil '%(coil)s'", coil=question.coil), "coil")
    found = []
    for run in runs:
        basis = _("the coil's time on the line")
        there = Made(run.started_at, (run.ended_at or as_of) + CUP_CONVEYOR, basis)
        if not times:
            found.append(Opening(there, run.line_id))
        for one in times:
            both = narrowed(one.made, there)
            if both is not None and one.line_id in (None, run.line_id):
                found.append(Opening(both, run.line_id, one.seen))
    if not found:
        raise TracelogError(
            _("time, pallet and coil do not go together: no can fits all of them"),
            "at" if question.at else "coil",
        )
    return found


def not_of_that_line(
    question: Question, openings: Sequence[Opening], machines: Directory
) -> NoReturn:
    """Say that no machine of the pallet's or the coil's line bore the code."""
    lines = {machines.line_numbers[one.line_id] for one in openings if one.line_id}
    raise TracelogError(
        _(
            "no bodymaker of line %(lines)s bore the code %(code)s then, and there the pallet or"
            " coil was; read the code again, or leave pallet and coil out",
            lines=", ".join(str(line) for line in sorted(lines)),
            code=question.code,
        ),
        "code",
    )
