"""Text that people type or scan: dome codes, the typed line, addresses on labels, instants."""

from zoneinfo import ZoneInfo

from tests.fuzz.telling import must_tell
from tracelog.defects.facts import EntryFact
from tracelog.defects.rules import DefectWord
from tracelog.defects.typed_line import read_typed_line
from tracelog.errors import BadFact
from tracelog.instants import moment_or_day, parse_instant, write_instant
from tracelog.plant.addresses import MachineLabel, read_address
from tracelog.plant.dome_code import parse_dome_code

ZONE = ZoneInfo("Europe/Madrid")
VOCABULARY = [DefectWord("split"), DefectWord("wrinkle"), DefectWord("short-can")]
STATIONS = ("light-tester", "trimmer", "necker")


def try_one(data: bytes) -> None:
    """Read the bytes as each kind of short text."""
    text = data.decode("utf-8", "surrogateescape")
    _code(text)
    _instants(text)
    label = read_address(text)
    assert label is None or not isinstance(label, MachineLabel) or label.line < 1000
    for stations in (STATIONS, ()):
        _typed(text, stations)


def _code(text: str) -> None:
    try:
        code = parse_dome_code(text)
    except ValueError:
        return
    assert parse_dome_code(str(code)) == code
    assert code.fits(code) or not code.is_complete


def _instants(text: str) -> None:
    for read in (parse_instant, moment_or_day):
        try:
            moment = read(text, ZONE)
        except ValueError:
            continue
        assert parse_instant(write_instant(moment), ZONE) == moment


def _typed(text: str, stations: tuple[str, ...]) -> None:
    try:
        values = read_typed_line(text, VOCABULARY, stations)
        fact = EntryFact.read({**values, "seen_at": "2026-03-02T06:00:00Z"}, ZONE)
    except BadFact as problem:
        must_tell(problem)
        return
    assert fact.defect in {word.defect for word in VOCABULARY}
