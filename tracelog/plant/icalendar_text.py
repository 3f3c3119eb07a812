"""What must hold for the text of a calendar file before anything reads it in earnest.

A file of a few lines can ask for a repetition every second for ever, or for zones whose rules take
minutes to work out. What no plant's calendar needs is refused here, by looking at the text alone.
"""

import re
from collections import Counter
from typing import NoReturn

from tracelog.errors import TracelogError
from tracelog.language import _

LARGEST_BYTES = 2_000_000
MOST_EVENTS_WRITTEN = 5_000
MOST_ZONE_PARTS = 400
DEEPEST = 8
# Times of one day that one rule may name.
MOST_TIMES_A_DAY = 24
_RULE_PARTS = frozenset(
    {
        *("FREQ", "UNTIL", "COUNT", "INTERVAL", "WKST", "BYSETPOS"),
        *("BYSECOND", "BYMINUTE", "BYHOUR", "BYDAY", "BYMONTHDAY", "BYYEARDAY", "BYWEEKNO"),
        "BYMONTH",
    }
)
_OFTEN = frozenset({"SECONDLY", "MINUTELY", "HOURLY"})
# As the library unfolds lines, so that none is hidden from the one and seen by the other. A run
# of line ends is looked at from its start only.
_FOLD = re.compile(r"(?<!\n)(?:\r\n|(?<!\r)\n)(?:\r?\n)*[ \t]")
_LINE_END = re.compile(r"\r?\n")
_RULE = re.compile(r"(RRULE|EXRULE)(?:;[^:]*)?:(.*)", re.IGNORECASE)


def checked_text(raw: bytes) -> str:
    """The text of a calendar file that asks for no more than a plant's calendar ever needs.

    Args:
        raw: the file.

    Raises:
        TracelogError: with one sentence; at ``file``.
    """
    if len(raw) > LARGEST_BYTES:
        _refuse(
            _(
                "is %(size).1f MB large; calendar files of up to %(most)d MB are read",
                size=len(raw) / 1e6,
                most=LARGEST_BYTES // 1_000_000,
            )
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        _refuse(_("is not UTF-8, which calendar files are written in; export it again"))
    lines = _LINE_END.split(_FOLD.sub("", text))
    first = next((line.strip() for line in lines if line.strip()), "")
    if first.upper() != "BEGIN:VCALENDAR":
        _refuse(_("is not a calendar file; such a file (.ics) begins with BEGIN:VCALENDAR"))
    _check_structure(lines)
    return text


def _refuse(sentence: str) -> NoReturn:
    raise TracelogError(sentence, "file")


def _check_structure(lines: list[str]) -> None:
    open_parts: list[str] = []
    begun: Counter[str] = Counter()
    for line in lines:
        upper = line.strip().upper()
        if upper.startswith("BEGIN:"):
            open_parts.append(upper[6:].strip())
            begun[open_parts[-1]] += 1
            if len(open_parts) > DEEPEST:
                _refuse(_("has parts within parts, deeper than any calendar; export it again"))
        elif upper.startswith("END:"):
            if not open_parts or open_parts.pop() != upper[4:].strip():
                _refuse(_("is broken: '%(line)s' ends what did not begin", line=line[:60]))
        elif found := _RULE.fullmatch(line.strip()):
            _check_rule(found[2].upper(), is_zone="VTIMEZONE" in open_parts)
    if open_parts:
        _refuse(_("is cut off: END:%(part)s is missing; get it again", part=open_parts[-1][:40]))
    _check_amount(begun)


def _check_amount(begun: Counter[str]) -> None:
    if begun["VEVENT"] > MOST_EVENTS_WRITTEN:
        _refuse(
            _(
                "holds %(events)d events; at most %(most)d are read, so export a shorter time",
                events=begun["VEVENT"],
                most=MOST_EVENTS_WRITTEN,
            )
        )
    if begun["STANDARD"] + begun["DAYLIGHT"] > MOST_ZONE_PARTS:
        _refuse(
            _("defines more clock changes than any plant has; use IANA zones such as Europe/Madrid")
        )


def _check_rule(rule: str, is_zone: bool) -> None:
    parts: dict[str, str] = {}
    for part in rule.split(";"):
        name, _equals, value = part.partition("=")
        if name not in _RULE_PARTS or name in parts:
            _refuse(
                _(
                    "repeats by a rule that cannot be read: '%(rule)s'; such as"
                    " FREQ=WEEKLY;BYDAY=MO is right",
                    rule=rule[:80],
                )
            )
        parts[name] = value
    frequency = parts.get("FREQ", "")
    if frequency in _OFTEN or (is_zone and frequency != "YEARLY"):
        _refuse(
            _(
                "repeats something %(often)s; planned periods repeat daily at most",
                often=frequency.lower(),
            )
        )
    interval = parts.get("INTERVAL", "1")
    if not (interval.isascii() and interval.isdecimal() and 1 <= int(interval[:9]) <= 10_000):
        _refuse(_("has INTERVAL=%(interval)s in a rule; write 1 or more", interval=interval[:20]))
    times = 1
    for name in ("BYHOUR", "BYMINUTE", "BYSECOND"):
        times *= parts.get(name, "").count(",") + 1
    if times > MOST_TIMES_A_DAY:
        _refuse(
            _(
                "repeats something %(times)d times a day; at most %(most)d are read",
                times=times,
                most=MOST_TIMES_A_DAY,
            )
        )
