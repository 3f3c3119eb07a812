"""Static files, compression and health."""

import gzip
import re

import brotli
import pytest
from flask import Flask
from sqlalchemy import Engine

from tests.support.site import Visit
from tracelog.db import downgrade
from tracelog.web import assets
from tracelog.web.request import public

only_sqlite = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)


@only_sqlite
def test_a_file_is_kept_for_a_year_under_the_digest_of_all(visit: Visit) -> None:
    page = visit.get("/sign-in").text
    addresses = re.findall(r'(?:href|src)="(/static/[^"]+)"', page)
    assert len(addresses) >= 9
    for address in addresses:
        answer = visit.get(address)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["Cache-Control"]
        assert "max-age=31536000" in answer.headers["Cache-Control"]
        assert "Set-Cookie" not in answer.headers
        assert "Cookie" not in answer.headers["Vary"]
        assert f"/{assets.digest()}/" in address


@only_sqlite
def test_a_file_of_another_version_is_not_kept(visit: Visit) -> None:
    answer = visit.get("/static/0123456789abcdef/tracelog.css")
    assert answer.status_code == 200
    assert answer.headers["Cache-Control"] == "no-cache"


@only_sqlite
@pytest.mark.parametrize("name", ["nothing.css", "../application.py", "%2e%2e/application.py"])
def test_nothing_beside_the_folder_is_served(visit: Visit, name: str) -> None:
    assert visit.get(f"/static/{assets.digest()}/{name}").status_code == 404


def test_the_digest_is_of_all_files_and_an_unknown_file_is_an_error(application: Flask) -> None:
    assert re.fullmatch(r"[0-9a-f]{16}", assets.digest())
    assert {"tracelog.css", "parts.css", "menu.js", "mark.svg", assets.PLOTLY} <= set(
        assets.known_files()
    )
    with application.test_request_context(), pytest.raises(KeyError):
        assets.asset_url("nothing.css")


@only_sqlite
def test_what_is_long_is_compressed_for_those_who_read_it(application: Flask, visit: Visit) -> None:
    long = "<p>81,234,567</p>" * 500
    application.add_url_rule("/long", "long", public(lambda: long))
    plain = visit.client.get("/long")
    small = visit.client.get("/long", headers={"Accept-Encoding": "gzip, br"})
    assert (plain.text, plain.content_encoding) == (long, None)
    assert small.content_encoding == "br"
    assert len(small.data) < len(long) / 10
    assert brotli.decompress(small.data).decode() == long
    assert "Accept-Encoding" in small.headers["Vary"]
    older = visit.client.get("/long", headers={"Accept-Encoding": "gzip, deflate"})
    assert (older.content_encoding, gzip.decompress(older.data).decode()) == ("gzip", long)
    never = visit.client.get("/long", headers={"Accept-Encoding": "br;q=0"})
    assert never.content_encoding is None
    css = visit.client.get(
        f"/static/{assets.digest()}/tracelog.css", headers={"Accept-Encoding": "br"}
    )
    plain_css = (assets.FOLDER / "tracelog.css").read_bytes()
    assert brotli.decompress(css.data) == plain_css
    css = visit.client.get(css.request.path, headers={"Accept-Encoding": "gzip"})
    assert gzip.decompress(css.data) == plain_css


def test_health_needs_no_account_and_tells_of_old_tables(visit: Visit, own_engine: Engine) -> None:
    assert visit.get("/api/v1/health/live").get_json() == {"status": "live"}
    ready = {"status": "ready", "last_backup": None, "replica": None}
    assert visit.get("/api/v1/health/ready").get_json() == ready
    downgrade(own_engine, "base")
    answer = visit.get("/api/v1/health/ready")
    assert answer.status_code == 503
    assert "another version" in answer.get_json()["detail"]
    assert visit.get("/api/v1/health/live").status_code == 200


def test_the_modules_of_a_script_are_all_that_it_leads_to() -> None:
    assert assets.modules_of("menu.js") == ()
    assert assets.modules_of("offline.js") == ("queue.js", "tablet-store.js")
    both = assets.modules_of("log.js", "scanner.js")
    assert both == ("completion.js", "pad_pictures.js", "typed_line.js")
    with pytest.raises(KeyError):
        assets.modules_of("nothing.js")
