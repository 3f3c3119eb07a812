"""PINs at shared tablets: which are too easy, and how long to wait after wrong ones."""

import secrets
from datetime import date, timedelta
from itertools import pairwise

from tracelog.errors import TracelogError
from tracelog.language import _

SHORTEST_PIN = 4
LONGEST_PIN = 8
# Of a PIN that a supervisor gives out.
ONCE_DIGITS = 6
# How long such a PIN waits for the person; they stand beside the supervisor as a rule.
ONCE_FOR = timedelta(hours=24)
# Wrong PINs in a row that cost nothing; each further one doubles the wait.
FREE_ATTEMPTS = 3
FIRST_WAIT = timedelta(seconds=30)
LONGEST_WAIT = timedelta(minutes=15)
# Straight down and up the middle of a number pad.
_COLUMN = "2580"


def check_pin(pin: str) -> None:
    """Refuse a PIN that is none, or that whoever stands beside the tablet would try first.

    Raises:
        TracelogError: at the field ``pin``, with what would be right.
    """
    if not (pin.isascii() and pin.isdecimal() and SHORTEST_PIN <= len(pin) <= LONGEST_PIN):
        raise TracelogError(_("is not a PIN; a PIN has 4 to 8 digits, such as 4029"), "pin")
    if len(set(pin)) < 3:
        raise TracelogError(_("has fewer than 3 different digits; use more"), "pin")
    if len({(int(after) - int(before)) % 10 for before, after in pairwise(pin)}) == 1:
        raise TracelogError(_("has its digits in a row; mix them"), "pin")
    if len(pin) % 2 == 0 and pin[: len(pin) // 2] == pin[len(pin) // 2 :]:
        raise TracelogError(_("says the same digits twice; use others"), "pin")
    if pin in (_COLUMN, _COLUMN[::-1]):
        raise TracelogError(_("is one column of the number pad; use other digits"), "pin")
    if _is_year(pin) or _is_day(pin):
        raise TracelogError(_("reads as a year or a day; use other digits"), "pin")


def _is_year(pin: str) -> bool:
    return len(pin) == 4 and pin[:2] in ("19", "20")


def _is_day(pin: str) -> bool:
    """Whether eight digits are a day with its year, in any of the usual orders."""
    if len(pin) != 8:
        return False
    orders = (
        (pin[:4], pin[4:6], pin[6:]),
        (pin[4:], pin[2:4], pin[:2]),
        (pin[4:], pin[:2], pin[2:4]),
    )
    return any(_exists(*parts) for parts in orders if parts[0][:2] in ("19", "20"))


def _exists(year: str, month: str, day: str) -> bool:
    try:
        date(int(year), int(month), int(day))
    except ValueError:
        return False
    return True


def new_pin() -> str:
    """A PIN to be given out: random digits that `check_pin` takes."""
    while True:
        pin = "".join(secrets.choice("0123456789") for _digit in range(ONCE_DIGITS))
        try:
            check_pin(pin)
        except TracelogError:
            continue
        return pin


def wait_after(attempts: int) -> timedelta:
    """How long nobody may try again after so many wrong PINs in a row.

    Example:
        >>> [wait_after(number).total_seconds() for number in (2, 3, 4, 5, 20)]
        [0.0, 30.0, 60.0, 120.0, 900.0]
    """
    if attempts < FREE_ATTEMPTS:
        return timedelta(0)
    # Doubled so often at most; beyond that only the number grows.
    doubled: int = 2 ** min(attempts - FREE_ATTEMPTS, 10)
    return min(FIRST_WAIT * doubled, LONGEST_WAIT)
