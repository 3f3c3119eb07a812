"""A page of some bytes and nothing behind it, served as `tracelog serve` serves ours."""

import os
import sys

from flask import Flask, Response

BYTES = "TRACELOG_BENCH_BYTES"


def application() -> Flask:
    """Flask with one page, of as many bytes as the environment says."""
    app = Flask("bare")
    page = "x" * int(os.environ[BYTES])

    @app.get("/")
    def bare() -> Response:
        return Response(page, content_type="text/html; charset=utf-8")

    @app.get("/api/v1/health/live")
    def live() -> str:
        return "live"

    return app


if __name__ == "__main__":
    from granian import Granian
    from granian.constants import HTTPModes, Interfaces
    from granian.log import LogLevels

    from tracelog.web.bodies import AT_ONCE
    from tracelog.web.turns import THREADS

    Granian(
        "tests.bench.bare_page:application",
        factory=True,
        address="127.0.0.1",
        port=int(sys.argv[1]),
        interface=Interfaces.WSGI,
        workers=2,
        blocking_threads=THREADS + AT_ONCE,
        http=HTTPModes.http1,
        websockets=False,
        log_level=LogLevels.warning,
    ).serve()
