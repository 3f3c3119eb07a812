"""How long a session lasts: pure decisions, no clock and no database."""

from datetime import datetime, timedelta

IDLE = timedelta(hours=12)
LONGEST = timedelta(hours=24)
# The cookie and the row are written anew at most this often while somebody works.
NOTE_EVERY = timedelta(minutes=5)
# For so long after somebody proved who they are, ending sessions elsewhere asks for no more proof.
PROVEN_FOR = timedelta(minutes=10)
# At a shared tablet, where minutes count, the cookie is written so many times within its idle time.
NOTES_PER_IDLE = 12
# Clocks of servers are set right by seconds. One that goes back further would make sessions last
# longer than they may, so that they end.
CLOCK_SLACK = timedelta(minutes=2)
# What is kept of sessions that are over, for whoever asks where somebody was signed in.
KEPT_FOR = timedelta(days=30)

# What a session shows of its browser, and how somebody may have come in.
DEVICES = ("phone", "tablet", "computer")
WAYS = ("password", "pin", "provider")
_PHONES = ("iphone", "mobile")
_TABLETS = ("ipad", "tablet", "android")


def is_over(
    began_at: datetime, seen_at: datetime, moment: datetime, idle: timedelta = IDLE
) -> bool:
    """Whether a session has ended by itself.

    Args:
        began_at: when they signed in, UTC.
        seen_at: when they last did something, UTC.
        moment: the present instant, UTC.
        idle: how long nothing may happen.

    Example:
        >>> eight, noon = datetime(2026, 3, 4, 8), datetime(2026, 3, 4, 12)
        >>> is_over(eight, noon, noon), is_over(eight, noon, eight)
        (False, True)
    """
    return (
        moment - seen_at > idle
        or moment - began_at > LONGEST
        or seen_at - moment > CLOCK_SLACK
        or began_at > seen_at + CLOCK_SLACK
    )


def kind_of_device(browser: str) -> str:
    """What a browser runs on, as far as it tells: ``phone``, ``tablet`` or ``computer``.

    Args:
        browser: how it names itself (the header User-Agent).

    Example:
        >>> kind_of_device("Mozilla/5.0 (Linux; Android 14; Mobile)"), kind_of_device("")
        ('phone', 'computer')
    """
    said = browser.lower()
    if "ipad" not in said and any(word in said for word in _PHONES):
        return "phone"
    return "tablet" if any(word in said for word in _TABLETS) else "computer"
