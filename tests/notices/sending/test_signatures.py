"""Signatures are those of the standard, and cover what must not be changed on the way."""

import base64
import hashlib
import hmac
import re
from datetime import UTC, datetime

import pytest

from tracelog.notices.sending.signatures import (
    COVERED,
    content_digest,
    secret_check,
    sign,
    signature_base,
    signed_headers,
    webhook_secret,
)

# RFC 9421, B.1.5 and B.2.5.
SHARED = base64.b64decode(
    "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ=="
)
AT = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)


def test_the_worked_example_of_rfc_9421_b_2_5_comes_out() -> None:
    base = signature_base(
        [
            ("date", "Tue, 20 Apr 2021 02:07:55 GMT"),
            ("@authority", "example.com"),
            ("content-type", "application/json"),
        ],
        ';created=1618884473;keyid="test-shared-secret"',
    )
    assert sign(base, SHARED) == "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8="


def test_the_digest_is_that_of_rfc_9530() -> None:
    # RFC 9530, appendix D: {"hello": "world"} and a line feed.
    assert content_digest(b'{"hello": "world"}\n') == (
        "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:"
    )


def verified(headers: dict[str, str], method: str, url: str, body: bytes, secret: str) -> bool:
    """What a receiver does, written apart from how it is signed: from the headers alone."""
    (inner, parameters) = re.fullmatch(  # type: ignore[union-attr]
        r"notice=(\(.*?\))(;.*)", headers["Signature-Input"]
    ).groups()
    values = {"@method": method, "@target-uri": url}
    values |= {name.lower(): value for name, value in headers.items()}
    names = re.findall(r'"([^"]+)"', inner)
    lines = [f'"{name}": {values[name]}' for name in names]
    base = "\n".join([*lines, f'"@signature-params": {inner}{parameters}'])
    mac = hmac.new(base64.b64decode(secret), base.encode(), hashlib.sha256).digest()
    digest = base64.b64encode(hashlib.sha256(body).digest()).decode()
    return (
        set(names) == set(COVERED)
        and headers["Signature"] == f"notice=:{base64.b64encode(mac).decode()}:"
        and headers["Content-Digest"] == f"sha-256=:{digest}:"
    )


SECRET = webhook_secret("key", "hook", 1)
URL = "https://plant.example/in?line=1"
BODY = b'{"message":"m"}'
HEADERS = signed_headers(URL, BODY, "m", "hook", SECRET, AT)


def test_a_receiver_can_verify_what_was_sent() -> None:
    assert verified(HEADERS, "POST", URL, BODY, SECRET)
    assert ";created=1772616600;" in HEADERS["Signature-Input"]


@pytest.mark.parametrize(
    ("changed", "method", "url", "body"),
    [
        ({"Tracelog-Message": "n"}, "POST", URL, BODY),
        ({"Content-Type": "text/plain"}, "POST", URL, BODY),
        (
            {"Signature-Input": HEADERS["Signature-Input"].replace("1772616600", "1772616601")},
            *("POST", URL, BODY),
        ),
        ({}, "PUT", URL, BODY),
        ({}, "POST", URL.replace("line=1", "line=2"), BODY),
        ({}, "POST", URL, BODY + b" "),
    ],
)
def test_nothing_that_is_covered_can_be_changed(
    changed: dict[str, str], method: str, url: str, body: bytes
) -> None:
    assert not verified(HEADERS | changed, method, url, body, SECRET)


def test_a_secret_comes_from_the_key_the_webhook_and_its_number_alone() -> None:
    others = {
        webhook_secret("another key", "hook", 1),
        webhook_secret("key", "hook", 2),
        webhook_secret("key", "hoo", 1),
    }
    assert webhook_secret("key", "hook", 1) == SECRET
    assert SECRET not in others
    assert len(others) == 3
    assert len(base64.b64decode(SECRET)) == 32
    assert secret_check(SECRET) != secret_check(webhook_secret("key", "hook", 2))
    assert not verified(HEADERS, "POST", URL, BODY, webhook_secret("key", "hook", 2))
