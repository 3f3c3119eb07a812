"""Style sheets, scripts and pictures: kept by browsers for a year under an address of their own.

The address holds a digest of all files, `/static/<digest>/tracelog.css`, so that a module that
imports its neighbour by a relative address gets the neighbour of the same version.
"""

import gzip
import hashlib
import importlib.util
import mimetypes
import re
from functools import cache
from pathlib import Path

import brotli
from flask import Blueprint, Response, abort, request, url_for

from tracelog.web.request import public

FOLDER = Path(__file__).parent / "static"
# The chart library is served from its installed package, never from elsewhere.
PLOTLY = "plotly.min.js"
A_YEAR = 31_536_000
BROTLI, GZIP = "br", "gzip"
_SMALLEST_COMPRESSED = 1_000
_COMPRESSED_KINDS = ("text/", "application/json", "application/problem+json", "image/svg+xml")

_IMPORTED = re.compile(r"""^(?:import|export)\b[^;"']*["']\./([^"']+)["']""", re.MULTILINE)

assets = Blueprint("assets", __name__)


def _plotly_file() -> Path | None:
    found = importlib.util.find_spec("plotly")
    if found is None or found.origin is None:
        return None
    return Path(found.origin).parent / "package_data" / PLOTLY


@cache
def known_files() -> dict[str, Path]:
    """Every file that is served, by its name under `/static/<digest>/`."""
    files = {
        path.relative_to(FOLDER).as_posix(): path
        for path in sorted(FOLDER.rglob("*"))
        if path.is_file() and not path.name.startswith(".")
    }
    plotly = _plotly_file()
    return files | ({PLOTLY: plotly} if plotly is not None else {})


@cache
def digest() -> str:
    """Digest of all files, so that an address never means two contents."""
    hashed = hashlib.sha256()
    for name, path in known_files().items():
        hashed.update(name.encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    return hashed.hexdigest()[:16]


def asset_url(name: str) -> str:
    """The address of a file of the static folder, or of ``plotly.min.js``.

    Raises:
        KeyError: there is no such file.
    """
    if name not in known_files():
        raise KeyError(name)
    return url_for("assets.file", version=digest(), name=name)


@cache
def modules_of(*names: str) -> tuple[str, ...]:
    """The modules that scripts import, and what those import; each once, the scripts left out.

    A page names them too (`modulepreload`), so that a browser need not read one to ask for the
    next.

    Raises:
        KeyError: there is no such file.

    Example:
        >>> modules_of("queue.js")
        ('tablet-store.js',)
    """
    found: dict[str, None] = {}
    waiting = [*names]
    while waiting:
        text = known_files()[waiting.pop()].read_text(encoding="utf-8")
        for imported in _IMPORTED.findall(text):
            if imported not in names and imported not in found:
                found[imported] = None
                waiting.append(imported)
    return tuple(sorted(found))


@cache
def _content(name: str, coding: str | None) -> bytes:
    content = known_files()[name].read_bytes()
    if coding == BROTLI:
        return brotli.compress(content, quality=6)
    return gzip.compress(content, mtime=0) if coding == GZIP else content


@assets.get("/static/<version>/<path:name>")
@public
def file(version: str, name: str) -> Response:
    """One file; under the digest of another version it is the present file, not to be kept."""
    if name not in known_files():
        abort(404)
    kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
    kind = "text/javascript" if name.endswith(".js") else kind
    coding = taken_coding() if kind.startswith(_COMPRESSED_KINDS) else None
    response = Response(_content(name, coding), content_type=_with_charset(kind))
    response.vary.add("Accept-Encoding")
    if coding is not None:
        response.content_encoding = coding
    if version == digest():
        response.cache_control.public = True
        response.cache_control.max_age = A_YEAR
        response.cache_control.immutable = True
    else:
        response.cache_control.no_cache = True
    return response


def _with_charset(kind: str) -> str:
    return f"{kind}; charset=utf-8" if kind.startswith("text/") else kind


def taken_coding() -> str | None:
    """How an answer is compressed for who asks; None: not at all.

    Browsers read brotli over https and on their own machine only, gzip everywhere.
    """
    accepted = request.accept_encodings
    return next((one for one in (BROTLI, GZIP) if accepted[one] > 0), None)


def compress(response: Response) -> Response:
    """Make a page or JSON answer smaller: plant Wi-Fi is slow, and tables compress tenfold.

    Session cookies are not sent with requests that other sites cause, so that the length of an
    answer tells them nothing about a form's token.
    """
    coding = taken_coding()
    if (
        response.is_streamed
        or response.direct_passthrough
        or response.content_encoding
        or coding is None
        or not (response.mimetype or "").startswith(_COMPRESSED_KINDS)
        or (response.content_length or 0) < _SMALLEST_COMPRESSED
    ):
        return response
    plain = response.get_data()
    response.set_data(
        brotli.compress(plain, quality=4) if coding == BROTLI else gzip.compress(plain, 5, mtime=0)
    )
    response.content_encoding = coding
    response.vary.add("Accept-Encoding")
    return response
