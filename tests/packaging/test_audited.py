"""The audit of locked libraries against an index of the test's own."""

import json
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

import pytest

from tests.support import audited

KNOWN = {
    "good/1.0": [],
    "weak/2.0": [
        {"id": "PYSEC-1", "aliases": ["CVE-1"], "fixed_in": ["2.1"], "withdrawn": None},
        {"id": "PYSEC-2", "fixed_in": [], "withdrawn": "2026-01-01T00:00:00Z"},
    ],
}


class _Index(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        release = self.path.removeprefix("/pypi/").removesuffix("/json")
        self.send_response(200 if release in KNOWN else 404)
        self.end_headers()
        self.wfile.write(json.dumps({"vulnerabilities": KNOWN.get(release, [])}).encode())

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002
        pass


@pytest.fixture
def address(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Index)
    thread = Thread(target=server.serve_forever, args=[0.02])
    thread.start()
    address = f"http://127.0.0.1:{server.server_port}"
    monkeypatch.setenv("PIP_INDEX_URL", f"{address}/simple/")
    yield address
    server.shutdown()
    thread.join()
    server.server_close()


def _lock(folder: Path, *releases: str) -> list[str]:
    lock = folder / "requirements.lock"
    lines = [f"{one} ; python_version < '4' \\\n    --hash=sha256:00" for one in releases]
    lock.write_text("\n".join(lines), encoding="utf-8")
    return [str(lock)]


def test_a_known_weakness_fails_and_is_named_with_its_fix(
    address: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lock = _lock(tmp_path, "good==1.0", "weak==2.0")
    assert audited.main(lock) == 1
    said = capsys.readouterr().err
    assert "weak 2.0: PYSEC-1, CVE-1; fixed in 2.1" in said
    assert "PYSEC-2" not in said
    assert address not in said
    monkeypatch.setattr(audited, "ACCEPTED", {"CVE-1": "we never call it"})
    assert audited.main(lock) == 0
    assert "none of the 2" in capsys.readouterr().out


def test_an_index_that_does_not_say_is_told_and_fails_nothing(
    address: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert audited.main(_lock(tmp_path, "good==1.0", "unheard==1.0")) == 0
    assert "1 of 2" in capsys.readouterr().out
    assert audited.main(_lock(tmp_path, "unheard==1.0")) == 0
    assert "NOT AUDITED" in capsys.readouterr().err
    monkeypatch.setenv("PIP_INDEX_URL", "nowhere:simple")
    assert audited.main(_lock(tmp_path, "weak==2.0")) == 0
    said = "".join(capsys.readouterr())
    assert "NOT AUDITED" in said
    assert address not in said


def test_both_locks_are_read_whole_and_what_is_accepted_has_a_reason() -> None:
    for lock in audited.LOCKS:
        text = Path(lock).read_text(encoding="utf-8")
        assert len(audited.pinned(text)) >= text.count("==") * 0.9 > 10
    assert all(len(why.split()) > 3 for why in audited.ACCEPTED.values())
