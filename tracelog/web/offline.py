"""What a browser keeps to work without network: its worker, and the page that says what works.

The worker is served at the root, so that it may answer for every page. It begins with what the
server knows and the file cannot: the version of style sheets and scripts and their addresses.
"""

import json

from flask import Blueprint, Response, render_template, request, url_for

from tracelog.web import assets
from tracelog.web.request import public

offline = Blueprint("offline", __name__)


@offline.get("/offline-worker.js")
@public
def worker() -> Response:
    """The worker; with ``?sync=yes`` as a module that also sends what waits, with no page open."""
    files = [assets.asset_url(name) for name in assets.known_files() if name != assets.PLOTLY]
    house = {
        "version": assets.digest(),
        "files": files,
        "page": url_for("offline.without_network"),
    }
    sender = "const sendAll = null;"
    if request.args.get("sync") == "yes":
        sender = f'import {{ sendAll }} from "{assets.asset_url("queue.js")}";'
    own = (assets.FOLDER / "offline-worker.js").read_text(encoding="utf-8")
    text = f"{sender}\nconst HOUSE = {json.dumps(house)};\n{own}"
    response = Response(text, content_type="text/javascript; charset=utf-8")
    response.cache_control.public = True
    response.cache_control.no_cache = True
    return response


@offline.get("/offline")
@public
def without_network() -> str:
    """What works without network, for whoever asks for something else."""
    return render_template("web/offline.html")
