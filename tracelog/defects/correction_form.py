"""The correction page's form: what it showed, and the correction that was made on it."""

from zoneinfo import ZoneInfo

from tracelog.defects.facts import CORRECTABLE, CorrectionFact
from tracelog.defects.queries import CorrectionView, EntryRecord, FieldChange
from tracelog.facts import whole_number, write_value
from tracelog.instants import parse_instant, show_instant
from tracelog.web.forms import Form
from tracelog.web.numbers import for_field

CORRECTION_FIELDS = (*CORRECTABLE, "id", "reason", "withdrawn", "corrections")
_INSTANTS = ("seen_at", "made_at")
_MOST_CORRECTIONS = 1_000_000


def as_shown(record: EntryRecord, seen: int, zone: ZoneInfo) -> dict[str, str]:
    """The form as the page showed it to somebody who saw the first `seen` corrections.

    Args:
        record: the entry with its corrections.
        seen: how many of them there were.
        zone: the plant's, for fields of date and time, which know no seconds.
    """
    said = {name: write_value(getattr(record.original, name)) for name in CORRECTABLE}
    for correction in record.corrections[:seen]:
        said |= {one.field: one.after for one in correction.changes if one.field in said}
    for name in _INSTANTS:
        said[name] = for_field(parse_instant(said[name], zone), zone) if said[name] else ""
    withdrawn = [correction.withdrawn for correction in record.corrections[:seen]]
    return said | {"withdrawn": "yes" if withdrawn and withdrawn[-1] else ""}


def shown_changes(correction: CorrectionView, zone: ZoneInfo) -> list[FieldChange]:
    """What a correction changed, instants on the plant's clock."""

    def shown(name: str, text: str) -> str:
        return show_instant(parse_instant(text, zone), zone) if name in _INSTANTS and text else text

    return [
        FieldChange(one.field, shown(one.field, one.before), shown(one.field, one.after))
        for one in correction.changes
    ]


def seen_corrections(form: Form) -> int | None:
    """How many corrections the page showed, None if the form does not say."""
    try:
        return whole_number(form.value("corrections"), 0, _MOST_CORRECTIONS)
    except ValueError:
        return None


def correction_of(form: Form, record: EntryRecord, zone: ZoneInfo) -> CorrectionFact:
    """The correction that was made on the form: only what differs from what the page showed.

    What the page showed, and not what holds now, so that the same form sent twice is the same
    correction.

    Args:
        form: the fields `CORRECTION_FIELDS`.
        record: the entry as it stands.
        zone: the plant's.

    Raises:
        BadFact: the reason is missing, or a field cannot be read.
    """
    seen = seen_corrections(form)
    shown = as_shown(record, len(record.corrections) if seen is None else seen, zone)
    values: dict[str, object] = {
        "id": form.value("id"),
        "entry": record.now.id,
        "reason": form.value("reason"),
        "values": {
            name: form.value(name)
            for name in CORRECTABLE
            if _lines_as_kept(form.value(name)) != shown[name]
        },
    }
    if (form.value("withdrawn") == "yes") != (shown["withdrawn"] == "yes"):
        values["withdrawn"] = form.value("withdrawn") == "yes"
    return CorrectionFact.read(values, zone)


def _lines_as_kept(text: str) -> str:
    return text.replace("\r\n", "\n")  # forms send line ends as two signs
