"""What the entry pad and the typed line make of what was tapped or typed: fields of an entry."""

import uuid
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from tracelog.audit import take_turn
from tracelog.defects.facts import CorrectionFact, EntryFact
from tracelog.defects.queries import EntryView, entry
from tracelog.errors import BadFact, Conflict, Fault, NotFound, TracelogError
from tracelog.facts import known_words, read_id
from tracelog.language import _
from tracelog.plant.dome_code import DomeCode, parse_dome_code
from tracelog.plant.queries import Directory, PlantView

# Fields that the pad takes over as they are typed.
PLAIN = (
    *("defect", "cans", "occurrences", "inspected", "found_at", "made_at"),
    *("coil", "pallet", "mark", "note"),
)
PAD_FIELDS = ("id", "line", "number", "seen_at", "as_read", *PLAIN)
# What is asked of candidates: whether the reader doubts, whether to show them, the one tapped.
OFFER_FIELDS = ("unsure", "show", "settled")


def pad_values(tapped: Mapping[str, str]) -> dict[str, Any]:
    """Fields of an entry from what was tapped: line and number make the dome code.

    A part that was left out stands for a digit that nobody can read.

    Args:
        tapped: the pad's fields.
    """
    values: dict[str, Any] = {name: tapped.get(name, "") for name in PLAIN}
    line, number = tapped.get("line", "").strip(), tapped.get("number", "").strip()
    if line or number:
        values["dome_code"] = f"{line or '?'}-{number or '?'}"
    return values


def entry_of(
    values: Mapping[str, Any],
    plant: PlantView,
    known: Directory,
    who: str,
    now: datetime,
    earlier: EntryView | None = None,
) -> EntryFact:
    """The entry that a person logs at a page: seen and logged now, by who is signed in.

    Args:
        values: fields of an entry; `as_read` "yes": keep a code that no machine bears.
        plant: for its zone.
        known: machines and dome codes.
        who: the person's name.
        now: UTC.
        earlier: what was kept when the same form was sent before, as by a second tap on a slow
            tablet. It is the same entry then, seen and logged when it was.

    Raises:
        BadFact: a field is wrong, the finding lies ahead, or no machine bears the code and
            nobody has said that the can says so.
    """
    given = {name: value for name, value in values.items() if name != "as_read"}
    if not str(given.get("seen_at") or "").strip():
        given["seen_at"] = earlier.seen_at if earlier else now
    logged_at = earlier.logged_at if earlier else now
    fact = EntryFact.read({**given, "logged_by": who, "logged_at": logged_at}, plant.zone)
    if fact.seen_at > now:
        raise BadFact((Fault("seen_at", _("lies ahead; a can is seen before it is logged")),))
    if values.get("as_read") != "yes":
        _require_bearer(fact, known)
    return fact


def _require_bearer(fact: EntryFact, known: Directory) -> None:
    code = fact.dome_code
    if code is None or known.candidates(code, fact.made_at or fact.seen_at):
        return
    line = int(code.line) if code.line.isdecimal() else None
    if line is not None and line not in known.lines:
        return  # the action says which lines there are
    numbers = sorted({one.number for one in known.bodymakers if line in (None, one.line)})
    where = _("every line") if line is None else _("line %(line)d", line=line)
    raise BadFact(
        (
            Fault(
                "as_read",
                _(
                    "no machine bears %(code)s; %(where)s has %(numbers)s. Look again, or tick"
                    " that the can says so",
                    code=code,
                    where=where,
                    numbers=known_words(numbers, 20),
                ),
            ),
        )
    )


def sent_before(session: Session, entry_id: str) -> EntryView | None:
    """What was kept when a form with this id was sent before, as it was logged; None if nothing.

    Args:
        session: an open session that writes. Whoever sends the same form at the same moment
            waits, so that the second finds what the first has kept.
        entry_id: the form's hidden id, as sent.
    """
    try:
        known = read_id(entry_id)
    except ValueError:
        return None  # told when the entry is read
    take_turn(session)
    try:
        return entry(session, known).original
    except NotFound:
        return None


def said_otherwise(earlier: EntryView) -> Conflict:
    """That a form was sent twice with different content; what was kept first stands."""
    return Conflict(
        _(
            "this form was sent before, and kept as %(code)s %(defect)s, %(cans)d; if this is"
            " another can, log it again",
            code=earlier.dome_code or _("no code"),
            defect=earlier.defect,
            cans=earlier.cans,
        ),
        "id",
    )


def faults_at(problem: TracelogError, places: Mapping[str, str]) -> TracelogError:
    """The same faults, told at the fields that the form has in place of the fact's."""
    told = [Fault(places.get(one.field, one.field), one.sentence) for one in problem.faults]
    again = BadFact(tuple(told))
    again.status = problem.status
    return again


def read_on_pad(tapped: Mapping[str, str]) -> DomeCode | None:
    """The code as tapped so far, with ``?`` for what was left out; None if nothing was tapped."""
    text = pad_values(tapped).get("dome_code")
    try:
        return parse_dome_code(text) if text else None
    except ValueError:
        return None


def settling(
    entry_id: uuid.UUID, read: DomeCode | None, settled: str, zone: ZoneInfo, why: str = ""
) -> CorrectionFact:
    """The correction that settles an entry on a candidate that was tapped.

    Its id follows from the entry and the code, so that a form sent twice is one correction.

    Args:
        entry_id: of the entry.
        read: the code as read, which stays on record.
        settled: the candidate's code.
        zone: the plant's.
        why: what settled it; blank: it was tapped among the candidates.

    Raises:
        BadFact: the code cannot be read.
    """
    return CorrectionFact.read(
        {
            "id": uuid.uuid5(entry_id, f"settled as {settled}"),
            "entry": entry_id,
            "reason": why.strip()
            or _("read as %(read)s, tapped among its candidates", read=read or "?-?"),
            "values": {"dome_code": settled},
        },
        zone,
    )
