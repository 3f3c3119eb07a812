"""An input that takes too long is a find, and must not stop the run."""

import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class TookTooLong(BaseException):
    """A reader did not end in time; no reader may catch it by mistake."""


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Raise `TookTooLong` in what runs longer; where nothing can interrupt it, when it has ended.

    Args:
        seconds: of the clock on the wall, so choose them far beyond what is usual.
    """

    def stop(_signal: int, _frame: FrameType | None) -> None:
        raise TookTooLong(f"not done after {seconds:g} s")

    started = time.monotonic()
    if not hasattr(signal, "SIGALRM"):
        yield
        if time.monotonic() - started > seconds:
            raise TookTooLong(f"not done after {seconds:g} s")
        return
    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
