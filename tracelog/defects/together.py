"""Entries that programs send one by one: those of one moment share a transaction.

This is the quick way, for what is plainly right: a token that is remembered, an entry without any
fault, an id that is new. Everything else goes the ordinary way, from the question who asks on, and
so does a whole group that the database refuses. An entry is acknowledged after the commit that
holds it.
"""

import logging
from collections.abc import Callable
from dataclasses import dataclass

from flask import Response, current_app, g, request
from sqlalchemy.exc import DBAPIError

from tracelog.audit import last_position
from tracelog.db import is_out_of_reach, reading_one_moment, writing
from tracelog.defects.checking import References, vocabulary_ids
from tracelog.defects.facts import EntryFact
from tracelog.defects.group_actions import Ground, Single, log_each
from tracelog.defects.settling import Settler
from tracelog.errors import TracelogError
from tracelog.outcomes import CREATED
from tracelog.plant.queries import directory, the_plant
from tracelog.web.by_memory import identify_anew, remembered_generation, wait_aside, work_again
from tracelog.web.collections import answer_one
from tracelog.web.gathering import Gatherer
from tracelog.web.request import (
    WRITE_WAIT_MS,
    House,
    current_actor,
    house,
    now,
)
from tracelog.web.strict_json import read_json

log = logging.getLogger(__name__)
_GATHERER = "tracelog_entries_together"
_GROUND = "ground of entries"


@dataclass(frozen=True)
class Brought:
    """One entry, and the generation of the memory by which it and its sender were judged."""

    single: Single
    generation: int


class NotKept(Exception):
    """The database could not keep a group; `in_doubt`: it was asked to commit."""

    def __init__(self, problem: Exception, in_doubt: bool) -> None:
        super().__init__(str(problem))
        self.problem, self.in_doubt = problem, in_doubt


def log_together() -> Response | None:
    """Log the one entry that this request carries; None: it has to go the ordinary way."""
    brought = _brought()
    if brought is not None:
        with wait_aside():
            is_kept = _bring(brought)
        if is_kept:
            return answer_one(brought.single.fact.id, CREATED)
        work_again()
    identify_anew()
    return None


def _brought() -> Brought | None:
    generation = remembered_generation()
    if generation is None or request.args:
        return None
    try:
        ground, own = _ground()
        sent = read_json()
        if own != generation or not isinstance(sent, dict):
            return None
        fact = EntryFact.read(sent, ground.zone)
    except TracelogError:
        # Told by the ordinary way, as it stands then.
        return None
    if ground.references.faults({"dome_code": fact.dome_code, "defect": fact.defect}):
        # Perhaps the plant has them by now.
        house().memory.forget(_GROUND)
        return None
    return Brought(Single(fact, current_actor(), now()), generation)


def _ground() -> tuple[Ground, int]:
    """What entries are judged by, as remembered or read now; and the generation."""
    memory = house().memory
    found, generation = memory.recall(_GROUND)
    if isinstance(found, Ground):
        return found, generation
    with reading_one_moment(house().engine) as session:
        at, places = last_position(session), directory(session)
        ground = Ground(
            References(vocabulary_ids(session), places), Settler(places), the_plant(session).zone
        )
    return ground, memory.keep(_GROUND, ground, at)


def _bring(brought: Brought) -> bool:
    gatherer: Gatherer[Brought, bool] = current_app.extensions.setdefault(
        _GATHERER, Gatherer(_keeper(house()))
    )
    try:
        return gatherer.bring(brought)
    except NotKept as refused:
        problem = refused.problem
        if isinstance(problem, DBAPIError) and is_out_of_reach(problem):
            g.tracelog_in_doubt = refused.in_doubt
            raise problem from refused
        log.warning("entries that came together go one by one", exc_info=problem)
        return False


def _keeper(own: House) -> Callable[[Callable[[], list[Brought]]], list[bool]]:
    """What keeps a group of an application in one transaction."""

    def keep(take: Callable[[], list[Brought]]) -> list[bool]:
        in_doubt = False
        try:
            with writing(own.engine, WRITE_WAIT_MS, looks_often=True) as session:
                # Who comes while the turn is waited for belongs to the group.
                generation = own.memory.check_in_turn(session)
                ground, known = own.memory.recall(_GROUND)
                group = take()
                good = [one for one in group if one.generation == generation == known]
                if not good or ground is None:
                    return [False] * len(group)
                kept = iter(log_each(session, [one.single for one in good], ground))
                results = [one.generation == generation and next(kept) for one in group]
                in_doubt = True
            return results
        except Exception as problem:
            raise NotKept(problem, in_doubt) from problem

    return keep
