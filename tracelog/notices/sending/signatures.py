"""Signing what is sent to a webhook: HTTP message signatures with a shared secret.

Source: RFC 9421 (HTTP Message Signatures), sections 2.5 and 3.3.3, and RFC 9530 (Digest Fields),
section 2. The worked example of RFC 9421, B.2.5, is among the tests.
"""

import base64
import hashlib
import hmac
from collections.abc import Sequence
from datetime import datetime

# Under which name signature and input stand in the two headers.
LABEL = "notice"
ALGORITHM = "hmac-sha256"
# What the signature covers, in order.
COVERED = ("@method", "@target-uri", "content-type", "content-digest", "tracelog-message")
_SECRET_BYTES = 32


def content_digest(body: bytes) -> str:
    """The value of the header Content-Digest, by SHA-256.

    Example:
        >>> content_digest(b'{"hello": "world"}')
        'sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:'
    """
    return f"sha-256=:{_base64(hashlib.sha256(body).digest())}:"


def signature_base(covered: Sequence[tuple[str, str]], parameters: str) -> bytes:
    """What is signed: a line for each covered component, and one for the parameters.

    Args:
        covered: name and value of each component, in order.
        parameters: what follows the names in Signature-Input, such as ``;created=1``.
    """
    lines = [f'"{name}": {value}' for name, value in covered]
    lines.append(f'"@signature-params": {inner_list([name for name, _v in covered])}{parameters}')
    return "\n".join(lines).encode("ascii")


def inner_list(names: Sequence[str]) -> str:
    """Names of components as they stand in Signature-Input."""
    return "(" + " ".join(f'"{name}"' for name in names) + ")"


def sign(base: bytes, key: bytes) -> str:
    """The signature of a base, as it stands between colons."""
    return _base64(hmac.new(key, base, hashlib.sha256).digest())


def signed_headers(
    url: str, body: bytes, message: str, key_id: str, secret: str, at: datetime
) -> dict[str, str]:
    """The headers of a message to a webhook.

    Args:
        url: where it is sent with POST, as it was given.
        body: JSON, the same bytes however often it is sent.
        message: its id, the same however often it is sent.
        key_id: names the secret.
        secret: as it was shown, in Base64.
        at: the instant of the attempt.
    """
    headers = {
        "Content-Type": "application/json",
        "Content-Digest": content_digest(body),
        "Tracelog-Message": message,
    }
    values = {
        "@method": "POST",
        "@target-uri": url,
        **{name.lower(): value for name, value in headers.items()},
    }
    parameters = f';created={int(at.timestamp())};keyid="{key_id}";alg="{ALGORITHM}"'
    base = signature_base([(name, values[name]) for name in COVERED], parameters)
    headers["Signature-Input"] = f"{LABEL}={inner_list(COVERED)}{parameters}"
    headers["Signature"] = f"{LABEL}=:{sign(base, base64.b64decode(secret))}:"
    return headers


def webhook_secret(installation_key: str, webhook: str, number: int) -> str:
    """The secret of a webhook, in Base64: worked out from the installation's key, and kept nowhere.

    Args:
        installation_key: the setting `secret_key`.
        webhook: its id.
        number: raised to have another secret.
    """
    said = f"tracelog webhook {webhook} {number}".encode()
    made = hmac.new(installation_key.encode(), said, hashlib.sha256).digest()
    return _base64(made[:_SECRET_BYTES])


def secret_check(secret: str) -> str:
    """What tells whether a secret is the one that was shown, without telling it."""
    return hashlib.sha256(base64.b64decode(secret)).hexdigest()[:16]


def _base64(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")
