"""plant.toml: read with the place of every fault, and written in one canonical way."""

import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from tracelog.errors import BadFact, Fault
from tracelog.facts import Fact
from tracelog.instants import zone_named
from tracelog.intake.report import LocatedFault
from tracelog.language import _
from tracelog.plant.facts import PlantFact, RotaFact, ShiftFact, TransitFact

_LARGEST_BYTES = 1_000_000
_UTC = ZoneInfo("UTC")
_TABLE = re.compile(r"\s*\[+\s*[A-Za-z0-9_\"'.-]+\s*\]+\s*(#.*)?$")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+", re.ASCII)


@dataclass(frozen=True)
class PlantFileRead:
    """What plant.toml says: the fact, or what is wrong; and its zone as far as it can be read."""

    fact: PlantFact | None
    zone: ZoneInfo | None
    faults: list[LocatedFault] = field(default_factory=list)
    text: str = ""

    def located(self, file: str, faults: Iterable[Fault]) -> list[LocatedFault]:
        """Faults with the line on which each one's key stands."""
        return [
            LocatedFault(file, _line_of(self.text, f.field), f.field, f.sentence) for f in faults
        ]


def read_plant_file(path: Path) -> PlantFileRead:
    """Read plant.toml.

    Raises:
        OSError: the file cannot be read.
    """
    raw = path.read_bytes()
    if len(raw) > _LARGEST_BYTES:
        return _broken(path.name, 1, _("is larger than 1 MB; it holds the plant's settings only"))
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = raw.count(b"\n", 0, problem.start) + 1
        return _broken(path.name, line, _("is not UTF-8; save the file as UTF-8"))
    try:
        content = tomllib.loads(text.replace("\r\n", "\n"))
    except (ValueError, RecursionError) as problem:
        # Beside what is no TOML: a number of thousands of digits, tables a thousand deep.
        found = re.search(r"\(at line (\d+), column \d+\)", str(problem))
        line = int(found[1]) if found else max(1, len(text.splitlines()))
        why = re.sub(r"\s*\(at .*\)$", "", str(problem))
        return _broken(path.name, line, _("is not valid TOML: %(why)s", why=why))
    faults: list[Fault] = []
    fact = _read(content, faults)
    read = PlantFileRead(fact, _zone(content), [], text)
    read.faults.extend(read.located(path.name, faults))
    return read


def _broken(file: str, line: int, sentence: str) -> PlantFileRead:
    return PlantFileRead(None, None, [LocatedFault(file, line, "", sentence)])


def _zone(content: Mapping[str, Any]) -> ZoneInfo | None:
    try:
        return zone_named(str(content.get("time_zone") or ""))
    except ValueError:
        return None


def _read(content: dict[str, Any], faults: list[Fault]) -> PlantFact | None:
    """The plant, its tables read one by one so that each fault has the table's name before it."""
    values = dict(content)
    for name, kind in (("transit", TransitFact), ("rota", RotaFact)):
        if name in values:
            values[name] = _part(kind, values[name], name, faults)
    if "shift" in values:
        shifts = values["shift"]
        if not isinstance(shifts, list):
            faults.append(Fault("shift", _("is not a list; write [[shift]] before each shift")))
            shifts = []
        values["shift"] = tuple(
            _part(ShiftFact, shift, f"shift {place}", faults)
            for place, shift in enumerate(shifts, start=1)
        )
    if faults:
        # The rest is still looked at, without what cannot be read.
        for name in ("transit", "rota", "shift"):
            values.pop(name, None)
    try:
        fact = PlantFact.read(values, _UTC)
    except BadFact as problem:
        faults.extend(problem.faults)
        return None
    return None if faults else fact


def _part(kind: type[Fact], value: Any, name: str, faults: list[Fault]) -> Fact | None:
    if not isinstance(value, dict):
        faults.append(Fault(name, _("is not a table; see the example in the documentation")))
        return None
    try:
        return kind.read(value, _UTC)
    except BadFact as problem:
        faults.extend(Fault(f"{name}: {f.field}", f.sentence) for f in problem.faults)
        return None


def _line_of(text: str, name: str) -> int:
    """The line on which a key stands: `name`, `table: key` or `shift N: key`; 1 if nowhere."""
    table, _colon, key = name.rpartition(": ")
    lines = text.split("\n")
    word, _space, place = (table or key).partition(" ")
    is_table = bool(table) or word in ("transit", "shift", "rota")
    heads = [number for number, line in enumerate(lines) if _TABLE.match(line)]
    if is_table:
        named = re.compile(rf"\s*(\[+\s*{word}\s*\]+|{word}\s*[.=])")
        places = [number for number, line in enumerate(lines) if named.match(line)]
        if not places:
            return 1
        start = places[min(int(place or 1), len(places)) - 1]
    else:
        start = 0
    if is_table and not table:
        return start + 1
    # A key stands before the next table begins.
    end = next((head for head in heads if head > start), len(lines))
    keyed = re.compile(rf"\s*[\"']?{re.escape(key)}[\"']?\s*[.=]")
    return next((n for n in range(start, end) if keyed.match(lines[n])), start) + 1


@dataclass(frozen=True)
class PlantText:
    """Everything plant.toml says of a plant, ready to be written.

    `shifts`: name and start; `cycle`: for each day, the rota's word and crew of each shift.
    """

    name: str
    time_zone: str
    transit_minutes: tuple[int, int] | None
    shifts: tuple[tuple[str, time], ...]
    rota_starts_on: date | None
    cycle: tuple[tuple[tuple[str, str], ...], ...]


def write_plant_file(plant: PlantText) -> str:
    """The canonical text of plant.toml."""
    parts = [f"name = {_text(plant.name)}\ntime_zone = {_text(plant.time_zone)}\n"]
    if plant.transit_minutes is not None:
        shortest, longest = plant.transit_minutes
        parts.append(f"[transit]\nminutes = [{shortest}, {longest}]\n")
    for name, starts in plant.shifts:
        clock = starts.isoformat("seconds" if starts.second else "minutes")
        parts.append(f"[[shift]]\nname = {_text(name)}\nstarts = {_text(clock)}\n")
    if plant.rota_starts_on is not None:
        days = "".join(f"    {{ {_day(day)} }},\n" for day in plant.cycle)
        starts_on = _text(plant.rota_starts_on.isoformat())
        parts.append(f"[rota]\nstarts_on = {starts_on}\ncycle = [\n{days}]\n")
    return "\n".join(parts)


def _day(crews: tuple[tuple[str, str], ...]) -> str:
    return ", ".join(f"{_toml_key(word)} = {_text(crew)}" for word, crew in crews)


def _text(text: str) -> str:
    # JSON's escapes are TOML's.
    return json.dumps(text, ensure_ascii=False)


def _toml_key(word: str) -> str:
    return word if _BARE_KEY.fullmatch(word) else _text(word)
