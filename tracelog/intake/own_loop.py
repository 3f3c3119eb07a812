"""Work that waits for many things at once, run to its end from code that waits for one."""

import asyncio
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

Answer = TypeVar("Answer")


def run_apart(work: Coroutine[Any, Any, Answer]) -> Answer:
    """Run a coroutine to its end in a thread of its own, whatever runs in this one.

    A loop may run in the caller's thread already, where another cannot be begun.

    Args:
        work: what to run.

    Returns:
        Its answer; what it raises is raised here.
    """
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, work).result()
