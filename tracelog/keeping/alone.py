"""A lock that one process of a computer has: let go by the system when the process ends."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def alone(path: Path) -> Iterator[bool]:
    """Hold the lock of a file for a while; False where another process has it, without waiting."""
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        yield _lock(descriptor)
    finally:
        os.close(descriptor)


def _lock(descriptor: int) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
