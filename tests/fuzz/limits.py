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
        seconds: of this process at work, so that others on the machine do not count.
    """

    def stop(_signal: int, _frame: FrameType | None) -> None:
        raise TookTooLong(f"not done after {seconds:g} s")

    started = time.process_time()
    if not hasattr(signal, "SIGPROF"):
        yield
        if time.process_time() - started > seconds:
            raise TookTooLong(f"not done after {seconds:g} s")
        return
    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)
