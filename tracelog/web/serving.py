"""The application as a server's worker loads it: settings from the environment."""

import ctypes
import gc
import multiprocessing
import os
import signal
import sys
import threading
from multiprocessing.connection import wait
from typing import TYPE_CHECKING

from flask import g

from tracelog.config import load_settings
from tracelog.logs import begin_logging
from tracelog.web.access import timed
from tracelog.web.application import LARGEST_REQUEST_BYTES, Application, create_application
from tracelog.web.bodies import Arrivals, whole_bodies
from tracelog.web.counting import count_turned_away
from tracelog.web.problems import answer_problem
from tracelog.web.stopping import heed_last_call
from tracelog.web.turns import Turns, crowded, in_turns, kind_of

if TYPE_CHECKING:
    from _typeshed.wsgi import WSGIApplication, WSGIEnvironment

# How many proxies stand before the server; set by `tracelog serve --behind-proxies`.
PROXIES_VARIABLE = "TRACELOG_BEHIND_PROXIES"
# Options of malloc.h of the GNU C library: how many arenas there may be, from how many bytes on a
# block is taken from the system by itself, and how many free ones at an arena's end are kept.
_M_ARENA_MAX, _M_MMAP_THRESHOLD, _M_TRIM_THRESHOLD = -8, -3, -1
_MALLOC = {_M_ARENA_MAX: 2, _M_MMAP_THRESHOLD: 1 << 18, _M_TRIM_THRESHOLD: 1 << 20}


def application() -> Application:
    """Make the application of this process."""
    heed_last_call()
    _give_memory_back()
    proxies = int(os.environ.get(PROXIES_VARIABLE, "0") or "0")
    settings = load_settings()
    begin_logging(settings.log_level, settings.log_format, service=True)
    app = create_application(settings, proxies=proxies, watched=True)
    take_turns(app, Turns())
    app.wsgi_app = timed(app.wsgi_app)  # type: ignore[method-assign, assignment]
    await_bodies(app, Arrivals.behind_proxies() if proxies else Arrivals())
    _end_with_the_server()
    leave_out_what_stays()
    return app


def take_turns(app: Application, turns: Turns) -> None:
    """Let an application answer so many requests at once, and turn away those beyond a queue."""

    def turn_away(environ: "WSGIEnvironment", seconds: str) -> "WSGIApplication":
        kind = kind_of(environ["REQUEST_METHOD"], environ.get("PATH_INFO", ""))
        count_turned_away(kind.name.lower() if kind is not None else "")
        with app.request_context(environ):
            g.tracelog_without_database = True
            response = answer_problem(503, crowded())
            response.headers["Retry-After"] = seconds
            return app.process_response(response)

    app.extensions["tracelog_turns"] = turns
    app.wsgi_app = in_turns(  # type: ignore[method-assign, assignment]
        app.wsgi_app, turn_away, turns
    )


def await_bodies(app: Application, arrivals: Arrivals) -> None:
    """Let an application be asked only when all that belongs to a request has arrived."""

    def refuse(environ: "WSGIEnvironment", status: int, sentence: str) -> "WSGIApplication":
        with app.request_context(environ):
            g.tracelog_without_database = True
            return app.process_response(answer_problem(status, sentence))

    app.wsgi_app = whole_bodies(  # type: ignore[method-assign, assignment]
        app.wsgi_app, refuse, arrivals, LARGEST_REQUEST_BYTES
    )


def _give_memory_back() -> None:
    """Let threads share arenas, and give the system back what a large answer took.

    Left to itself, each thread keeps an arena, and each arena what was once the most. Other C
    libraries have no such options.
    """
    set_option = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform == "linux" else None
    if set_option is not None:
        for option, value in _MALLOC.items():
            set_option(option, value)


def leave_out_what_stays() -> None:
    """Let the collector of cycles pass over all that was loaded by now, since it stays.

    To look all of that through took a quarter of a second, in the midst of somebody's page.
    """
    gc.collect()
    gc.freeze()


def _end_with_the_server() -> None:
    """Stop this worker, as a signal would, when the process that started it is gone.

    A server that was killed would otherwise leave workers that hold its port, so that it could not
    be started again.
    """
    server = multiprocessing.parent_process()
    if server is None:
        return

    def watch() -> None:
        wait([server.sentinel])
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=watch, name="server-watch", daemon=True).start()
