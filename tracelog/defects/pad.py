"""What the entry pad and the typed line make of what was tapped or typed: fields of an entry."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from tracelog.defects.facts import EntryFact
from tracelog.errors import BadFact, Fault, TracelogError
from tracelog.facts import known_words
from tracelog.language import _
from tracelog.plant.dome_code import parse_dome_code
from tracelog.plant.queries import Directory, PlantView

# Fields that the pad takes over as they are typed.
PLAIN = (
    *("defect", "cans", "occurrences", "inspected", "found_at", "made_at"),
    *("coil", "pallet", "mark", "note"),
)
PAD_FIELDS = ("id", "line", "number", "seen_at", "as_read", *PLAIN)


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
    values: Mapping[str, Any], plant: PlantView, known: Directory, who: str, now: datetime
) -> EntryFact:
    """The entry that a person logs at a page: seen and logged now, by who is signed in.

    Args:
        values: fields of an entry; `as_read` "yes": keep a code that no machine bears.
        plant: for its zone.
        known: machines and dome codes.
        who: the person's name.
        now: UTC.

    Raises:
        BadFact: a field is wrong, the finding lies ahead, or no machine bears the code and
            nobody has said that the can says so.
    """
    given = {name: value for name, value in values.items() if name != "as_read"}
    if not str(given.get("seen_at") or "").strip():
        given["seen_at"] = now.isoformat()
    fact = EntryFact.read({**given, "logged_by": who, "logged_at": now.isoformat()}, plant.zone)
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
    numbers = sorted(machine.number for machine in known.bodymakers if machine.line == line)
    if line is not None and line not in known.lines:
        return  # the action says which lines there are
    raise BadFact(
        (
            Fault(
                "as_read",
                _(
                    "no machine bears %(code)s; line %(line)s has %(numbers)s. Look again, or"
                    " tick that the can says so",
                    code=code,
                    line=code.line,
                    numbers=known_words(numbers, 20),
                ),
            ),
        )
    )


def digits_of(code: str | None) -> tuple[str, str]:
    """Line and number of a dome code as text, for the drawing; blank where there is none."""
    if not code:
        return "", ""
    try:
        read = parse_dome_code(code)
    except ValueError:
        return "", ""
    return read.line, read.number


def faults_at(problem: TracelogError, renamed: Mapping[str, Sequence[str]]) -> TracelogError:
    """The same faults, told at the fields that the form has in place of the fact's."""
    told = []
    for fault in problem.faults:
        names = renamed.get(fault.field, (fault.field,))
        told.append(Fault(names[0], fault.sentence))
    again = BadFact(tuple(told))
    again.status = problem.status
    return again
