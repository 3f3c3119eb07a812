"""Asking several plants at once: each in its own time, none waits for another that is away."""

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Generic, TypeVar

from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.orm import Session

from tracelog.config import Settings
from tracelog.db import make_engine, reading_one_moment
from tracelog.errors import NotFound, TracelogError
from tracelog.group.rules import GroupPlant, chosen, read_group
from tracelog.language import _

# A plant that takes longer is told as one that did not answer.
LONGEST_SECONDS = 12.0
_STATEMENT_MS = 10_000
_AT_ONCE = 16
Answer = TypeVar("Answer")
_making = threading.Lock()
_engines: dict[str, Engine] = {}


@dataclass(frozen=True)
class Told(Generic[Answer]):
    """What one plant answered; `answer` is None where it did not, and `why` says why not."""

    plant: GroupPlant
    answer: Answer | None
    why: str = ""


def group_of(settings: Settings) -> tuple[GroupPlant, ...]:
    """The plants of the group; none where no group is set up.

    Raises:
        TracelogError: the file that names them cannot be read.
    """
    if not settings.group:
        return ()
    path = Path(settings.group).expanduser()
    try:
        return read_group(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as problem:
        raise TracelogError(
            _("the group's file %(path)s cannot be read: %(why)s", path=path, why=problem)
        ) from problem


def plants_asked(settings: Settings, name: str | None) -> tuple[GroupPlant, ...]:
    """The plant of a name, or all of the group.

    Raises:
        NotFound: no group is set up here, or it has no such plant.
    """
    plants = group_of(settings)
    if not plants:
        raise NotFound(_("no group of plants is set up here; TRACELOG_GROUP names its file"))
    return chosen(plants, name)


def ask(
    plants: Sequence[GroupPlant],
    question: Callable[[Session], Answer],
    longest_s: float = LONGEST_SECONDS,
) -> list[Told[Answer]]:
    """What each plant answers, in the order asked.

    Args:
        plants: whom.
        question: reads from a session of the plant's database; runs in a thread of its own.
        longest_s: how long all together are waited for, seconds.

    Returns:
        One for each plant: its answer, or why there is none.
    """
    futures = [_pool().submit(_asked, plant, question) for plant in plants]
    wait(futures, timeout=longest_s)
    return [_told(plant, future) for plant, future in zip(plants, futures, strict=True)]


def forget() -> None:
    """Close what is open to plants, for tests and before a process ends."""
    with _making:
        for engine in _engines.values():
            engine.dispose()
        _engines.clear()


@lru_cache(maxsize=1)
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(_AT_ONCE, thread_name_prefix="group")


def _engine(plant: GroupPlant) -> Engine:
    with _making:
        if plant.database_url not in _engines:
            _engines[plant.database_url] = make_engine(plant.database_url, reads_only=True)
        return _engines[plant.database_url]


def _asked(plant: GroupPlant, question: Callable[[Session], Answer]) -> Answer:
    with reading_one_moment(_engine(plant)) as session:
        if session.get_bind().dialect.name == "postgresql":
            session.execute(text(f"SET LOCAL statement_timeout = {_STATEMENT_MS}"))
        return question(session)


def _told(plant: GroupPlant, future: Future[Answer]) -> Told[Answer]:
    if not future.done():
        future.cancel()
        return Told(plant, None, _("it did not answer in time"))
    problem = future.exception()
    if problem is None:
        return Told(plant, future.result())
    if isinstance(problem, TracelogError):
        return Told(plant, None, problem.sentence)
    if isinstance(problem, SQLAlchemyError):
        said = str(problem.orig if isinstance(problem, DBAPIError) else problem).strip()
        first = (said.splitlines() or [type(problem).__name__])[0]
        return Told(plant, None, _("its database does not answer: %(why)s", why=first))
    raise problem
