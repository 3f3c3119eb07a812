"""Readings of a gauge study as people paste or upload them: rows of a table. Pure."""

import csv
import io
from zoneinfo import ZoneInfo

from tracelog.errors import BadFact, Fault
from tracelog.language import _
from tracelog.trends.measured.facts import GaugeReadingFact

COLUMNS = ("study", "characteristic", "unit", "part", "appraiser", "trial", "value", "measured_at")
MOST_ROWS = 5_000
MOST_TOLD = 20
# Where one of these stands in the first line, it parts the columns; a spreadsheet's copy has tabs.
_BETWEEN = ("\t", ";", ",")


def read_pasted(text: str, zone: ZoneInfo) -> list[GaugeReadingFact]:
    """The readings in pasted text: a header of column names, or the columns in their usual order.

    Args:
        text: columns parted by tabs, semicolons or commas.
        zone: the plant's, for instants without an offset.

    Returns:
        At least one reading, all of them sound.

    Raises:
        BadFact: one sentence for each field of each row that is wrong, at the field ``rows``.
    """
    rows = _rows(text)
    if not rows:
        raise BadFact((Fault("rows", _("are missing; paste a table or choose a file")),))
    names: tuple[str, ...] = COLUMNS
    head = [cell.strip().lower() for cell in rows[0][1]]
    if "study" in head and "value" in head:
        names, rows = _names(head), rows[1:]
    if len(rows) > MOST_ROWS:
        sentence = _("are too many; at most %(most)d at once", most=MOST_ROWS)
        raise BadFact((Fault("rows", sentence),))
    if not rows:
        raise BadFact((Fault("rows", _("have a header and nothing below it")),))
    return _read(rows, names, zone)


def _rows(text: str) -> list[tuple[int, list[str]]]:
    """Rows that are not blank, each with the number of its line."""
    text = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    first = next((line for line in text.split("\n") if line.strip()), "")
    between = next((sign for sign in _BETWEEN if sign in first), ",")
    reader = csv.reader(io.StringIO(text), delimiter=between)
    try:
        return [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except csv.Error as problem:
        sentence = _("cannot be read as a table: %(why)s", why=problem)
        raise BadFact((Fault("rows", sentence),)) from None


def _names(head: list[str]) -> tuple[str, ...]:
    unknown = [name for name in head if name not in COLUMNS]
    if unknown or len(set(head)) < len(head):
        sentence = _(
            "have a column '%(column)s' that is not known or stands twice; known are %(known)s",
            column=(unknown or [name for name in head if head.count(name) > 1])[0][:60],
            known=", ".join(COLUMNS),
        )
        raise BadFact((Fault("rows", sentence),))
    return tuple(head)


def _read(
    rows: list[tuple[int, list[str]]], names: tuple[str, ...], zone: ZoneInfo
) -> list[GaugeReadingFact]:
    facts: list[GaugeReadingFact] = []
    faults: list[str] = []
    lines: dict[object, int] = {}
    for line, row in rows:
        if len(row) > len(names):
            told = _("has %(cells)d columns, not %(names)d", cells=len(row), names=len(names))
            faults.append(_("line %(line)d %(told)s", line=line, told=told))
            continue
        try:
            fact = GaugeReadingFact.read(dict(zip(names, row, strict=False)), zone)
        except BadFact as problem:
            faults += [_("line %(line)d, %(told)s", line=line, told=one) for one in problem.faults]
            continue
        other = lines.setdefault(fact.id, line)
        if other != line:
            told = _("is the same part, appraiser and trial as line %(other)d", other=other)
            faults.append(_("line %(line)d %(told)s", line=line, told=told))
        facts.append(fact)
    faults += _of_one_kind(facts)
    if faults:
        raise BadFact(tuple(Fault("rows", told) for told in _shortened(faults)))
    return facts


def _of_one_kind(facts: list[GaugeReadingFact]) -> list[str]:
    """A study is of one characteristic in one unit."""
    kinds: dict[str, set[tuple[str, str | None]]] = {}
    for fact in facts:
        kinds.setdefault(fact.study, set()).add((fact.characteristic, fact.unit))
    return [
        _(
            "study '%(study)s' is of one characteristic in one unit; here it has %(kinds)s",
            study=study,
            kinds=", ".join(sorted(f"{name} {unit or ''}".strip() for name, unit in found)),
        )
        for study, found in kinds.items()
        if len(found) > 1
    ]


def _shortened(faults: list[str]) -> list[str]:
    more = len(faults) - MOST_TOLD
    told = faults[:MOST_TOLD]
    return [*told, _("and %(more)d more", more=more)] if more > 0 else told
