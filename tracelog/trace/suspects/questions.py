"""What is asked about suspect cans, read from the words of an address or a command. Pure."""

import math
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TypeVar
from zoneinfo import ZoneInfo

from tracelog.errors import BadFact, Fault, TracelogError
from tracelog.facts import plain_text, whole_number
from tracelog.instants import parse_instant
from tracelog.language import _
from tracelog.plant.queries import Directory, MachineView
from tracelog.trace.suspects.asking import Wish
from tracelog.trace.suspects.clearing import USUAL_LEVEL, USUAL_QUALITY, USUAL_SEEN
from tracelog.trace.suspects.rules import USUAL_RISK, USUAL_SLACK

OF_WISH = (
    *("machine", "defect", "bad_at", "good_at", "repaired_at"),
    *("risk", "fraction", "slack"),
)
OF_PLAN = ("aql", "level", "lot", "seen")
_LONGEST = 200
_MOST_MACHINES = 24
_MOST_SLACK, _MOST_LOT = 240, 100_000_000
_MINUTE = timedelta(minutes=1)

Value = TypeVar("Value")


class WrongQuestion(BadFact):
    """What is asked cannot be read: one fault for each field."""

    status = 400


@dataclass(frozen=True)
class PlanWish:
    """Which sampling plan; `lot` None: what is held at the accepted risk."""

    quality_level: float = USUAL_QUALITY
    level: str = USUAL_LEVEL
    lot: int | None = None
    seen: float = USUAL_SEEN


class _Reader:
    """Reads one field after the other, and keeps what is wrong with each."""

    def __init__(self, values: Mapping[str, str | None]) -> None:
        self.values = values
        self.faults: list[Fault] = []

    def read(self, name: str, how: Callable[[str], Value], otherwise: Value) -> Value:
        try:
            given = plain_text(self.values.get(name) or "", _LONGEST)
            return how(given) if given else otherwise
        except TracelogError as problem:
            self.faults.append(Fault(name, problem.sentence))
        except ValueError as problem:
            self.faults.append(Fault(name, str(problem)))
        return otherwise

    def finish(self) -> None:
        if self.faults:
            raise WrongQuestion(tuple(self.faults))


def read_wish(values: Mapping[str, str | None], machines: Directory, zone: ZoneInfo) -> Wish:
    """Read what is asked.

    Args:
        values: texts by the names of `OF_WISH`; blank or left out: not said. Several machines
            stand in one text with commas between them.
        machines: the directory.
        zone: the plant's.

    Raises:
        WrongQuestion: a field cannot be read, or the machine is missing.
    """
    reader = _Reader(values)

    def named(text: str) -> tuple[uuid.UUID, ...]:
        names = [one.strip() for one in text.split(",") if one.strip()]
        if len(names) > _MOST_MACHINES:
            raise ValueError(_("names more than %(most)d machines", most=_MOST_MACHINES))
        return tuple(_bodymaker(machines, one).id for one in names)

    def instant(name: str) -> datetime | None:
        def how(text: str) -> datetime | None:
            return parse_instant(text, zone)

        return reader.read(name, how, None)

    none: tuple[uuid.UUID, ...] = ()
    ids = reader.read("machine", named, none)
    if not ids and not reader.faults:
        reader.faults.append(
            Fault("machine", _("is missing; write a bodymaker such as 3-7, or 3-7, 3-1"))
        )
    slack = reader.read("slack", lambda text: whole_number(text, 0, _MOST_SLACK), None)
    fraction = reader.read("fraction", _optional_share, None)
    wish = Wish(
        ids,
        defect=reader.read("defect", lambda text: text, "") or None,
        bad_at=instant("bad_at"),
        good_at=instant("good_at"),
        repaired_at=instant("repaired_at"),
        risk=reader.read("risk", _share, USUAL_RISK),
        fraction=fraction,
        slack=USUAL_SLACK if slack is None else slack * _MINUTE,
    )
    reader.finish()
    return wish


def read_plan(values: Mapping[str, str | None]) -> PlanWish:
    """Read which sampling plan is asked for, from texts by the names of `OF_PLAN`.

    Raises:
        WrongQuestion: a field cannot be read.
    """
    reader = _Reader(values)
    lot = reader.read("lot", lambda text: whole_number(text, 2, _MOST_LOT), None)
    wish = PlanWish(
        reader.read("aql", _number, USUAL_QUALITY),
        reader.read("level", lambda text: text.upper(), USUAL_LEVEL),
        lot,
        reader.read("seen", _share, USUAL_SEEN),
    )
    reader.finish()
    return wish


def _bodymaker(machines: Directory, text: str) -> MachineView:
    machine = machines.machine_named(text)
    if machine not in machines.bodymakers:
        raise ValueError(
            _("%(machine)s is no bodymaker; only their cans are told apart", machine=machine.text)
        )
    return machine


def _number(text: str) -> float:
    try:
        found = float(text.replace(",", "."))
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise ValueError(_("'%(text)s' is not a number; write one such as 0.65", text=text[:60]))
    return found


def _share(text: str) -> float:
    """A share such as ``0.01`` or ``1%``."""
    is_percent = text.endswith("%")
    found = _number(text.removesuffix("%").strip())
    found = found / 100 if is_percent else found
    if not 0 < found < 1:
        raise ValueError(
            _(
                "'%(text)s' is not between 0 and 1; write 0.01 or 1%% for one in a hundred",
                text=text[:60],
            )
        )
    return found


def _optional_share(text: str) -> float | None:
    return _share(text)
