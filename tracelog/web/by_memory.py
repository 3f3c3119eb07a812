"""Requests whose sender may be taken from the memory of the process (`tracelog.web.memory`)."""

from contextlib import AbstractContextManager, nullcontext

from flask import current_app, g, request
from werkzeug.exceptions import ServiceUnavailable

from tracelog.web.request import View, check_permission
from tracelog.web.turns import turn_of

_BY_MEMORY = "tracelog_by_memory"


def by_memory(view: View) -> View:
    """Mark a view: who asks with a token may be taken from the process's memory.

    Such a view answers by it only what it has checked in the turn to write
    (`Memory.check_in_turn`), and calls `identify_anew` before anything else.
    """
    setattr(view, _BY_MEMORY, True)
    return view


def may_remember() -> bool:
    """Whether this view checks in time what is remembered of who asks: see `by_memory`."""
    view = current_app.view_functions.get(request.endpoint or "")
    return bool(getattr(view, _BY_MEMORY, False)) and "tracelog_asks_anew" not in g


def identified_by_memory(generation: int | None) -> None:
    """Note the generation of the memory that who asks was taken from; None: from the database."""
    g.tracelog_generation = generation


def remembered_generation() -> int | None:
    """The generation of the memory that who asks was taken from; None: it was not."""
    generation: int | None = g.get("tracelog_generation")
    return generation


def identify_anew() -> None:
    """Find out from the database who asks, and whether they may, if it was remembered so far.

    Raises:
        NotSignedIn, NotAllowed: they may not.
    """
    if remembered_generation() is not None:
        g.tracelog_asks_anew = True
        g.tracelog_generation = None
        del g.tracelog_visitor
        check_permission()


def wait_aside() -> AbstractContextManager[None]:
    """Let others have this request's place at work while it waits for what another one does."""
    turn = turn_of(request.environ)
    return nullcontext() if turn is None else turn.aside()


def work_again() -> None:
    """Take a place at work anew, after the wait aside came to nothing.

    Raises:
        ServiceUnavailable: there is none; nothing of the request was kept.
    """
    turn = turn_of(request.environ)
    if turn is not None and not turn.again():
        raise ServiceUnavailable
